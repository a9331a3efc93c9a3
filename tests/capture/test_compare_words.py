"""What a comparison says, to people and programs; whose circuit a recording is of; what several power cycles
say of one cause; by cases put together by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from nightdraw.capture import compare as cp
from nightdraw.capture import differences as df
from nightdraw.capture.compare import Comparison, Place
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import OPEN, STUCK_ON, Diagnosis, Fault
from nightdraw.capture.holding import Part
from nightdraw.capture.journal import Lost
from nightdraw.capture.place import NO_CLOCK, Clock
from nightdraw.capture.read import Recording, from_arrays
from nightdraw.errors import InputError

from tests.capture.by_hand import START, did_of_patterns


def recording(channel: str = "current", unit: str = "mA") -> Recording:
    made = from_arrays(np.arange(9) / 1000, np.zeros(9))
    return SimpleNamespace(channel=channel, unit=unit, name=made.name)  # type: ignore[return-value]


@pytest.mark.parametrize(
    ("place", "channel", "unit", "splice", "due"),
    [
        (Place(), "current", "mA", None, False),
        (Place(), "Current", "mA", None, False),
        (Place(), "current", "mA", "F7", True),
        (Place(channels=2), "current", "mA", None, True),
        (Place(), "F7", "mA", None, True),
        (Place(), "current", "mV", None, True),
        (Place(vehicle=object()), "current", "mA", None, True),  # type: ignore[arg-type]
        (Place(shared=False, channels=2), "F7", "mV", "F7", False),  # it was said
        (Place(shared=False, vehicle=object()), "current", "mA", None, False),  # type: ignore[arg-type]
        (Place(shared=True), "current", "mA", None, True),
    ],
)
def test_whether_others_share_the_circuit_is_said_or_told_by_any_sign(
    place: Place, channel: str, unit: str, splice: str | None, due: bool
) -> None:
    assert place.is_shared(recording(channel, unit), splice) is due


ROW = Difference(df.LEVEL, 3, 60.0, 61.0, 70.0, "a level")
WHOLE = Comparison(False, (ROW,), Clock(12.345678, -0.04, 9, 0.0, 0), ("a note", "more"), None, None, None)


def test_a_comparison_is_told_line_by_line() -> None:
    found = replace(WHOLE, coverage_pct=97.25)
    assert found.text().splitlines() == [
        "level (pulse 3): a level",
        "the run began 12.3457 s into the recording, whose clock differs by +0.0 ppm from the box's (from 9 "
        "edges)",
        "coverage 97.2 % of the run's edges",
        "note: a note",
        "note: more",
        "the accounts differ",
    ]
    nowhere = replace(WHOLE, agree=None, clock=NO_CLOCK, differences=(replace(ROW, pulse=None),), notes=())
    assert nowhere.text().splitlines() == [
        "level: a level",
        "coverage 0.0 % of the run's edges",
        "can't tell",
    ]
    for levels, said in (
        (True, "the accounts agree"),
        (False, "the accounts agree in instants and durations"),
    ):
        alike = replace(nowhere, agree=True, clock=None, differences=(), levels=levels)
        assert alike.text().splitlines() == ["coverage 0.0 % of the run's edges", said]
    faster = replace(WHOLE, clock=Clock(1.0, 61.27, 20, 0.0, 0))
    assert "differs by +61.3 ppm from the box's (from 20 edges)" in faster.text()


@pytest.mark.parametrize(
    ("clock", "offset_s", "rate_ppm"),
    [
        (Clock(12.3456789, 7.12345, 9, 0.0, 0), 12.345679, 7.123),
        (Clock(3.0, 1.0, 0, 0.0, 0), None, None),  # no edge matched
        (None, 0.0, 0.0),  # no recording
    ],
)
def test_a_document_has_a_clock_where_one_is_known(
    clock: Clock | None, offset_s: float | None, rate_ppm: float | None
) -> None:
    document = replace(WHOLE, clock=clock, coverage_pct=98.765, levels=False).document()
    assert document["clock"] == {"offset_s": offset_s, "rate_ppm": rate_ppm}
    assert document["coverage_pct"] == 98.77
    assert document["levels_compared"] is False
    assert document["agree"] is False
    assert document["notes"] == ["a note", "more"]
    assert document["differences"] == [ROW.document()]


def test_fewer_than_two_accounts_are_refused() -> None:
    for given in ((), (None, None, None), (1, None, None)):
        with pytest.raises(InputError):
            cp.check_given(*given)
    cp.check_given(1, None, 2)


def part(kind: str, channel: int, rivals: tuple[int, ...] = (), more: tuple[Difference, ...] = ()) -> Part:
    """A power cycle of which a channel is accused, with the row that says so first."""
    found = Diagnosis(fault=Fault(kind, channel, 1.0), rivals=tuple(Fault(kind, k, 1.0) for k in rivals))
    row = Difference(kind, None, None, float(channel + 10 * len(rivals)), None, f"channel {channel}")
    return Part(START, None, rows=[row, *more], found=found)


def test_a_broken_channel_is_told_once_by_the_power_cycle_that_knows_it_best() -> None:
    level = Difference(df.LEVEL, 1, 1.0, 2.0, 3.0, "a level of its own")
    vague, sure = part(STUCK_ON, 2, (3,), (level,)), part(STUCK_ON, 3)
    for parts in ([vague, sure], [sure, vague]):
        assert sorted(row.message for row in cp._rows_of(parts)) == ["a level of its own", "channel 3"]
    # another channel is another row, unless one of its kind is told already
    other = part(OPEN, 2, (1,), (level,))
    assert sorted(row.message for row in cp._rows_of([other, sure])) == [
        "a level of its own", "channel 2", "channel 3",
    ]  # fmt: skip
    assert [row.message for row in cp._rows_of([part(STUCK_ON, 4), sure])] == ["channel 4"]
    again = Part(START, None, rows=[level])
    assert cp._rows_of([again, again]) == [level]
    assert cp._rows_of([Part(START, None)]) == []


def test_what_holds_for_the_whole_recording_is_told_once() -> None:
    first, second = (Difference(df.BASE, None, 1.0, 2.0, 3.0 + k, f"the base {k}") for k in range(2))
    parts = [Part(START, None, rows=[first]), Part(START, None, rows=[second])]
    assert cp._rows_of(parts) == [first]
    missing = [replace(row, kind=df.MISSING) for row in (first, second)]
    assert cp._rows_of([Part(START, None, rows=[row]) for row in missing]) == missing
    clear = Diagnosis(fault=Fault(OPEN, 1, 1.0), either=True)  # which accuses nobody
    assert cp._same(clear, Diagnosis()) is False
    assert cp._same(Diagnosis(), clear) is False


def test_what_the_journal_lost_is_counted_with_its_time() -> None:
    box = did_of_patterns([1, 5, 1], [1.0, 1.0, 1.0])
    assert list(cp._journal_notes(box)) == []
    lost = tuple(SimpleNamespace(kind="lost", record={"records": n}) for n in (5, 7))
    gaps = Lost(np.array([3.0, 8.0, 20.0]), np.array([4.5, 10.0, np.inf]))
    assert list(cp._journal_notes(replace(box, events=lost, lost=gaps))) == [  # type: ignore[arg-type]
        "the journal lost 12 records: the pulses of 3.5 s can't be held against it"
    ]


def test_a_power_loss_leaves_the_time_to_the_next_power_up_unknown() -> None:
    box = did_of_patterns([1, 5, 1], [1.0, 1.0, 1.0])
    cut = replace(box, cycle=replace(box.cycle, cut=True))
    clock = replace(START, offset_s=100.0)
    after = Part(clock, replace(box, cycle=replace(box.cycle, zero_at_s=90.0, boot_s=40.5)))
    text = "power off: the box's last record before it is at 103.000 s of the recording"
    rest = "; what it did after that record is held against nothing"
    assert list(cp._loss_notes(Part(clock, cut), after)) == [f"{text}, its next power-up at 130.500 s{rest}"]
    assert list(cp._loss_notes(Part(clock, cut), Part(clock, box))) == [text + rest]
    for one, other in ((box, after), (cut, None), (None, after)):
        assert list(cp._loss_notes(Part(clock, one), other)) == []


def test_a_journal_without_a_run_says_so_and_what_was_set_by_hand() -> None:
    box = did_of_patterns([0], [1.0])
    hand = SimpleNamespace(kind="level", text=lambda: "40 mA")
    other = SimpleNamespace(kind="boot", text=lambda: "power-up")
    found = cp._never(replace(box, events=(hand, other)))  # type: ignore[arg-type]
    assert (found.agree, found.differences) == (None, ())
    assert found.notes == ("the run never began: the journal has no start of it", "a level by hand: 40 mA")
