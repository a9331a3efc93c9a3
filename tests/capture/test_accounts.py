"""Asked and did are read as they were written; pulses of an account are its excursions."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boxcore import program as pg
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture import journal
from nightdraw.capture.accounts import Account, Asked
from nightdraw.capture.journal import Did
from nightdraw.errors import InputError

from tests.capture.synthetic import OWN_MA, pulse, random_draw, steady, truth_of

HEAD = {
    "kind": "box",
    "board": "b",
    "own_ma": OWN_MA,
    "channels_ns": [1000, 2000],
    "profile": "p",
    "slot": 0,
    "run": 3,
    "seed": 5,
    "run_start_tick": 100,
}


def line(kind: str, t_s: float | None, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "boot": 1, "tick": 0, "t_s": t_s, "supply_mv": 12_600, **more}


def edge(t_s: float, level_ma: float, pattern: int = 1) -> dict[str, Any]:
    return line("edge", t_s, level_ma=level_ma, pattern=pattern)


def write(folder: Path, lines: list[dict[str, Any]]) -> Path:
    path = folder / "r.journal.jsonl"
    path.write_text("".join(json.dumps(said) + "\n" for said in lines), encoding="utf-8")
    return path


def read(folder: Path, lines: list[dict[str, Any]]) -> Did:
    return journal.read_did(write(folder, [HEAD, *lines]))


@given(seed=st.integers(0, 1 << 20))
def test_asked_is_the_schedule_and_its_pulses_are_the_excursions(seed: int) -> None:
    draws = [steady(40), pulse(60, 0.25, 3.0, 0.0), random_draw(200, (0.1, 0.9), (1.0, 6.0))]
    plan = pg.Program("truth", draws, seed=seed)
    truth = truth_of(draws, 60, seed=seed)
    account = Asked(plan, 1, round(OWN_MA * 1000)).account(60.0)
    np.testing.assert_array_equal(account.t_s, truth.t_s)
    np.testing.assert_array_equal(account.level_ma, truth.level_ma)
    rows, train = truth.pulses(40), account.train()
    np.testing.assert_allclose(
        np.column_stack((train.start_s, train.duration_s, train.level_ma)), rows, rtol=1e-9
    )
    assert train.base_ma == pytest.approx(40)
    assert account.mean_ma == pytest.approx(
        (truth.charge(np.array([60.0])) - truth.charge(np.array([0.0])))[0] / 60
    )


def test_asked_stops_at_the_programs_own_limit() -> None:
    plan = pg.Program("p", [steady(40), pulse(60, 0.25, 3.0)], run_ticks=10 * pg.TICKS_PER_S)
    account = Asked(plan, 1, 11_000).account(60.0)
    assert account.end_s == 10
    np.testing.assert_array_equal(account.at(np.array([-1.0, 0.1, 0.4, 9.7, 10.0])), [11, 40, 100, 40, 11])


def test_bank_steps_of_the_base_are_one_state() -> None:
    levels = np.array([40.1, 200.3, 39.6, 201.2, 40.6, 39.9])
    train = Account(np.arange(6.0), levels, 6.0, OWN_MA).train()
    assert train.start_s.tolist() == [1, 3]
    assert train.base_ma == pytest.approx(40, abs=0.3)


def test_a_journal_is_the_account_between_start_and_stop(tmp_path: Path) -> None:
    did = read(
        tmp_path,
        [
            line("boot", None),
            line("arm", -5.0, slot=0),
            line("start", 0.0),
            edge(0.0, 40),
            edge(1.0, 200, 3),
            line("repick", 1.5, level_ma=199.0, pattern=2),
            edge(2.0, 40),
            line("end", 3.0, fault="time-used"),
        ],
    )
    assert did.account.t_s.tolist() == [0, 1, 1.5, 2, 3]
    assert did.account.level_ma.tolist() == [40, 200, 199, 40, OWN_MA]
    assert did.pattern.tolist() == [1, 3, 2, 1, 0]
    assert (did.seed, did.run, did.profile, did.channels_ns) == (5, 3, "p", (1000, 2000))
    stop = did.stopped()
    assert stop is not None
    assert stop.text() == "end at 3.000 s (time-used)"
    assert did.until(9.0).account.end_s == 9.0
    assert did.until(1.0).account.end_s == 3.0


def test_a_hold_opens_until_the_next_edge(tmp_path: Path) -> None:
    held = [edge(0.0, 40), line("hold", 1.0, fault="supply-low"), line("release", 7.0), edge(7.0, 40)]
    did = read(tmp_path, held)
    assert did.account.level_ma.tolist() == [40, OWN_MA, 40]
    assert [(spell.from_s, spell.to_s, spell.why.kind) for spell in did.spells] == [(1.0, 7.0, "hold")]


def test_another_run_in_the_same_journal_is_left_out(tmp_path: Path) -> None:
    lines = [
        edge(0.0, 40),
        line("halt", 2.0, by="link"),
        line("arm", 3.0),
        line("start", 4.0),
        edge(4.0, 300),
    ]
    assert read(tmp_path, lines).account.level_ma.tolist() == [40, OWN_MA]


@pytest.mark.parametrize(
    ("content", "line_number", "message"),
    [
        ("", 1, "not a journal"),
        ('{"kind": "edge"}\n', 1, "not a journal"),
        (json.dumps(HEAD) + "\nnonsense\n", 2, "not JSON"),
        (json.dumps(HEAD) + "\n[1]\n", 2, "an object with a kind"),
        (json.dumps(HEAD) + '\n{"kind": "edge", "t_s": 1.0}\n', None, "lacks 'level_ma'"),
        ('{"kind": "box"}\n', None, "lacks 'own_ma'"),
    ],
)
def test_what_is_no_journal_is_refused(
    tmp_path: Path, content: str, line_number: int | None, message: str
) -> None:
    path = tmp_path / "r.journal.jsonl"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=message) as caught:
        journal.read_did(path)
    assert (caught.value.findings[0].file, caught.value.findings[0].line) == (str(path), line_number)


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "r.journal.jsonl"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not text"):
        journal.read_did(path)
