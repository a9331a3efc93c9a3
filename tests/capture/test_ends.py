"""Runs that were halted or never began, levels by hand, a clamp the wrong way round, a source that is on: all
through the firmware's own box, and where the command line has them, through it."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from boxcore import program
from nightdraw import programs
from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.record import POWER_UP_TICKS, SLOT
from nightdraw.bench.recorder import Sampler
from nightdraw.bench.setup import build
from nightdraw.capture import compare, journal, read
from nightdraw.cli import main
from nightdraw.link import BoxClient, LoopTransport, open_box, records
from nightdraw.profile import load

from tests.capture import bench_runs as runs

OWN_UA = 11_000
AFTER_S = 5  # the profiles of bench_runs wait so long
Lines = tuple[compare.Asked, dict[str, Any], list[dict[str, Any]], read.Recording]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def played(meanwhile: Callable[[BoxClient, Any], None], lasting_s: int, began: bool = True) -> Lines:
    """A run of the box as the bench has it, what is done meanwhile, recorded for so long from its start."""
    plan = load(runs.profile("two")).program()
    world = build(seed=plan.seed).world()
    world.record()
    world.advance(POWER_UP_TICKS)
    with open_box(LoopTransport(BenchLink(world).feed)) as box:
        box.send(SLOT, programs.pack(plan))
        box.arm(SLOT)
        world.advance((AFTER_S + 1) * program.TICKS_PER_S if began else 10_000)
        started = box.run().started_tick if began else box.clock()
        assert started is not None
        meanwhile(box, world)
        kept = records.read(box)  # as `box journal` does
    sampler = Sampler(Fraction(1000), world.world_tick(started), lasting_s * 1000, 1)
    asked = compare.Asked(plan, 1, OWN_UA)
    return asked, kept.head, list(kept.lines), read.from_arrays(*sampler.feed(world.seen()))


def advance(world: Any, seconds: int) -> None:
    world.advance(seconds * program.TICKS_PER_S)


def test_a_run_that_was_halted_is_no_difference_whoever_is_asked() -> None:
    """As every lesson's is: until then it is asked and seen, afterwards nothing is."""

    def halted(box: BoxClient, world: Any) -> None:
        advance(world, 60)
        box.halt()
        advance(world, 30)

    asked, head, lines, seen = played(halted, 85)
    did = journal.did_of(head, lines)
    assert did.stopped() is not None
    for given in ((asked, did, None), (asked, did, seen), (None, did, seen)):
        found = compare.compare(*given)
        assert found.agree is True, found.text()
        assert "the run stopped: halt at " in found.text()


def test_a_run_that_never_began_is_said_to_have_never_begun() -> None:
    asked, head, lines, seen = played(lambda box, world: advance(world, 3), 2, began=False)
    did = journal.did_of(head, lines)
    assert not did.began
    for recording in (seen, None):
        found = compare.compare(asked, did, recording)
        assert (found.agree, found.differences) == (None, ())
        assert "never began" in found.text()


def test_a_journal_after_a_level_by_hand_is_read_as_the_run_it_is_of(tmp_path: Path) -> None:
    """Through the file that the command line reads: the run's own records count, the level's are said."""

    def by_hand(box: BoxClient, world: Any) -> None:
        advance(world, 60)
        box.halt()
        box.level(250_000, 5 * program.TICKS_PER_S)
        advance(world, 20)

    asked, head, lines, _ = played(by_hand, 60)
    path = tmp_path / "r.journal.jsonl"
    path.write_text("\n".join(json.dumps(row) for row in (head, *lines)))
    did = journal.read_did(path)
    assert compare.compare(asked, did, None).agree is True
    assert "level" not in {event.kind for event in did.events}
    words = ["capture", "compare", "--profile", "two.yaml", "--journal", str(path)]
    assert main.run(words) == 0


def test_a_clamp_the_wrong_way_round_is_told_and_judged_once_it_is_turned(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Status 3 names the option; with it a sound box agrees and a broken one is named."""
    asked = runs.profile("two")
    for fault, status in (((), 0), (("--fault", "stuck-on:7"), 1)):
        words = ["bench", "record", asked, "--for", "60s", "--out", "r.csv", *fault]
        assert main.run([str(word) for word in words]) == 0
        head, *rows = Path("r.csv").read_text().splitlines()
        turned = [f"{at},{-float(value)}" for at, value in (row.split(",") for row in rows)]
        Path("r.csv").write_text("\n".join([head, *turned]))
        words = ["--profile", str(asked), *runs.JOURNAL]
        told, found = runs.compare(capsys, *words)
        assert (told, found["agree"]) == (3, None)
        assert "--invert" in json.dumps(found)
        told, found = runs.compare(capsys, *words, "--invert")
        assert told == status, found
        assert [row["kind"] for row in found["differences"][:1]] == ["stuck-on"] * status


def test_a_source_that_is_on_takes_the_box_past_the_battery(capsys: pytest.CaptureFixture[str]) -> None:
    """A charger feeds the box: a battery's clamp can't show it, its own feed can."""
    asked = runs.profile("two")
    script = runs.script("at: 2 s, charger: on")
    channels = ["--channel", "battery", "--channel", "cabin"]
    runs.record("vehicle-1", f"{asked}@tailgate", 150, *channels, "--script", script)
    words = ("--profile", asked, *runs.JOURNAL)
    status, found = runs.compare(capsys, *words, "--channel", "battery")
    assert (status, found["differences"]) == (3, [])
    assert "measure at the fuse" in " ".join(found["notes"])
