"""The journal as lines: dated where a host was connected, ordered elsewhere, losses counted."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, cast

import pytest
from boxcore import journal as jn
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import journals, programs
from nightdraw.bench.instrument import BenchLink
from nightdraw.capture import journal
from nightdraw.capture.accounts import Asked
from nightdraw.link import BoxClient, LoopTransport, open_box, records
from nightdraw.link.replies import BoardFacts, Identity, JournalBytes

from tests.bench import support
from tests.boxcore.records import pack

S = support.S
EPOCH_S = 1_790_000_000.123  # of the world's tick 0, not on a whole second


def host_s(tick: int) -> float:
    """The host's clock at a tick of the world."""
    return EPOCH_S + tick / S


def utc_s(text: str) -> float:
    assert text.endswith("Z")
    return datetime.fromisoformat(text.removesuffix("Z")).replace(tzinfo=UTC).timestamp()


def connect(world) -> BoxClient:
    box = open_box(LoopTransport(BenchLink(world).feed))
    assert box.note_time(lambda: host_s(world.tick))
    return box


def test_boots_with_a_host_are_dated_and_the_others_in_order():
    world = support.world()
    world.advance(3 * S)
    box = connect(world)
    box.send(2, programs.pack(support.PULSED))
    box.arm(2)
    begun = {1: 0}  # boot -> the world's tick at its tick 0
    for boot in (2, 3):
        world.advance(40 * S)
        world.cut_power()
        world.advance(7 * S)
        world.store.revive()
        world.restore_power()
        begun[boot] = world.tick
    world.advance(40 * S)
    box = connect(world)
    world.advance(S)
    account = records.read(box)
    assert (account.boots, account.dated, account.lost) == (3, 2, 0)
    assert account.may_be_lost == 2 * jn.BUFFER_RECORDS
    told = [(line["boot"], line["tick"]) for line in account.lines if line["kind"] != "clock"]
    assert told == sorted(told)
    for line in account.lines:
        if line["boot"] == 2:
            assert line["utc"] is None
        else:
            true_s = host_s(begun[line["boot"]] + line["tick"])
            assert utc_s(line["utc"]) == pytest.approx(true_s, abs=0.002)
    assert sum(line["kind"] == "edge" for line in account.lines if line["boot"] == 2) > 10


def test_a_locked_box_takes_no_pair():
    world = support.world()
    world.advance(S)
    box = connect(world)
    box.set_passcode("a passcode", 1 << 10)
    box.lock()
    assert not box.note_time(lambda: 0.0)
    assert box.errors() == []


def test_the_lines_serve_as_what_the_box_did():
    """Read back and compared, they are the schedule that was asked for."""
    world = support.world()
    world.advance(S)
    box = connect(world)
    box.send(4, programs.pack(support.PULSED))
    box.arm(4)
    world.advance(30 * S)
    box.halt()
    world.advance(S)
    box.arm(4)
    world.advance(61 * S)
    account = records.read(box)
    assert account.head["slot"] == 4
    assert account.head["run"] == 2
    assert account.head["profile"] == "bench-test"
    did = journal.did_of(account.head, account.lines)
    asked = Asked(support.PULSED, 2, support.OWN_UA).account(did.account.end_s)
    assert len(asked.t_s) == 40  # before the last journaled edge: 20 pulses and the level at the start
    assert did.account.t_s[:-1] == pytest.approx(asked.t_s, abs=1e-9)
    assert did.account.level_ma[:-1] == pytest.approx(asked.level_ma, rel=0.02)
    assert account.document() == {
        "records": len(account.lines),
        "boots": 1,
        "lost": 0,
        "dated_boots": 1,
        "may_be_lost": 0,
    }


class Stored:
    """A client of a box whose journal holds these bytes."""

    def __init__(self, data: bytes) -> None:
        self.data = data

    def read_journal(self, since: int = 0, progress: Any = None) -> JournalBytes:
        return JournalBytes(0, self.data)

    def facts(self) -> BoardFacts:
        return BoardFacts("stored", 11_000, (1, 2))

    def has_monitor(self) -> bool:
        return False

    def idn(self) -> Identity:
        return Identity("NIGHTDRAW", "stored", "7", "0")


def account_of(*packed: bytes) -> records.JournalAccount:
    return records.read(cast(BoxClient, Stored(b"".join(packed))))


def test_what_is_lost_is_counted():
    account = account_of(
        pack(jn.PAGE, 0, 0, 0, 5, 0, 70),
        pack(jn.BOOT, 1, 100, 0, 5, 12_600, 71),
        pack(jn.LOST, 0, 0, 10, 17, 12_600, 72),
        b"\xff" * jn.RECORD_BYTES,
        pack(jn.EDGE, 0, 3, 20, 40_000, 12_600, 74)[:-3] + b"\x00\x00\x00",
        pack(jn.HALT, 1, 0, 30, 0, 12_600, 75),
    )
    assert (account.lost, account.may_be_lost, account.boots) == (19, 100, 1)
    assert [line["kind"] for line in account.lines] == ["boot", "lost", "halt"]
    assert account.head["board"] == "stored"
    assert account.head["monitor"] is False
    assert "run_start_tick" not in account.head
    assert all(line["t_s"] is None and line["utc"] is None for line in account.lines)


def test_an_empty_journal_is_no_error():
    account = account_of()
    assert (account.lines, account.boots, account.lost) == ((), 0, 0)


def test_the_last_run_is_the_files_zero_and_a_continued_one_began_before_its_boot():
    account_records = journals.decode(
        b"".join(
            [
                pack(jn.BOOT, 1, 0, 0, 7, 0),
                pack(jn.ARM, 3, 1, 50, 70_000, 0),
                pack(jn.START, 3, 70_000 & 0xFFFF, 100, 0, 0),
                pack(jn.BOOT, 1, 0, 0, 8, 0),
                pack(jn.ARM, 3, 3, 40, 70_000, 0),
                pack(jn.START, 3, 70_000 & 0xFFFF, 60, 5_000, 0),
            ]
        )
    )
    assert records.last_start(account_records[:3]) == records.LastRun(7, 100, 3, 70_000)
    assert records.last_start(account_records) == records.LastRun(8, 60 - 5_000, 3, 70_000)
    assert records.last_start(account_records[:2]) is None


pairs = st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 999)), min_size=1, max_size=5)


@given(pairs, st.integers(0, 10**9))
def test_every_tick_of_a_dated_boot_has_its_date(at, tick):
    """Any number of pairs of one clock give the same date, to their rounding of a millisecond."""
    true_s = lambda t: 1.7e9 + t / S  # noqa: E731
    told = []
    for now, _ in at:
        ms = round(true_s(now) * 1000)
        told.append(
            {
                "kind": "clock",
                "boot": 3,
                "tick": now + S - 10 * (ms % 1000),
                "utc_s": ms // 1000 + 1,
            }
        )
    dates = records.Dates(told)
    assert dates.utc_s(3, tick) == pytest.approx(true_s(tick), abs=0.0011)
    assert dates.utc_s(2, tick) is None
