"""What is believed of an answer, to its last bound; records dated and counted; when a channel passes."""

from __future__ import annotations

from fractions import Fraction

import pytest
from nightdraw.errors import LinkError
from nightdraw.link import LoopTransport, RefusedError, answers, open_box, records, tested
from nightdraw.link.replies import Measurement
from nightdraw.link.trims import TrimmedChannel

from tests.micropython import link_cases
from tests.micropython.link_rig import Rig


def believed(kind: answers.AnswerType, said: bytes) -> object:
    """The value, None where it isn't believed."""
    try:
        return answers.Query(":X?", kind).read(said, "here")
    except LinkError:
        return None


@pytest.mark.parametrize(
    ("kind", "good", "bad"),
    [
        (answers.integer(-3, 12), {b"-3": -3, b"12": 12, b"+4": 4}, (b"-4", b"13", b"4.0", b"", b"4 ")),
        (
            answers.decimal(-3, 12),
            {b"-3.0": -3, b"12": 12, b"12.000000000": 12, b"0.125": Fraction(1, 8)},
            (b"-3.1", b"12.000000001", b"1e1", b".5", b"5."),
        ),
        (
            answers.listing(answers.integer(0, 9), 3),
            {b"1,2,3": (1, 2, 3), b"1": (1,)},
            (b"1,2,3,4", b"", b"1,"),
        ),
        (
            answers.block(5),
            {b"#15hello": b"hello", b"#10": b""},
            (b"#16hello!", b"#15hell", b"#15hello!", b"#0x"),
        ),
        (
            answers.hexadecimal(0, 2),
            {b'""': b"", b'"00fF"': b"\x00\xff"},
            (b'"00"', b'"00ff00"', b"00ff", b'"0g00"'),
        ),
        (
            answers.quoted(),
            {b'"a"': "a", b'"' + b"a" * 32 + b'"': "a" * 32},
            (b'"' + b"a" * 33 + b'"', b'""', b"a"),
        ),
        (answers.optional(answers.integer(0, 9)), {b"9": 9}, (b"10", b"-2")),
        (answers.such_that(answers.integer(0, 9), lambda n: n % 2 == 1, "odd"), {b"3": 3}, (b"4",)),
        (
            answers.row(answers.flag, answers.integer(0, 9)),
            {b"1,9": (True, 9)},
            (b"1", b"1,9,9", b"2,9", b"1,10"),
        ),
    ],
)
def test_an_answer_is_believed_up_to_its_bounds_and_not_beyond(
    kind: answers.AnswerType, good: dict[bytes, object], bad: tuple[bytes, ...]
) -> None:
    assert {said: believed(kind, said) for said in good} == good
    assert {said: believed(kind, said) for said in bad} == dict.fromkeys(bad)


def test_sixty_characters_of_an_answer_are_shown() -> None:
    assert answers.shown(b"a" * 60) == f"'{'a' * 60}'"
    assert answers.shown(b"a" * 61) == f"'{'a' * 60}' and more"


# -- records


def test_a_tick_is_dated_by_the_nearest_pair_of_its_own_power_up() -> None:
    """The box's crystal is late by 2 s a pair; ticks are a ten-thousandth of a second."""
    pairs = [(1, 0, 1_000), (1, 1_000_000, 1_102), (1, 2_000_000, 1_204), (2, 500_000, 9_000)]
    dates = records.Dates(
        [{"kind": "clock", "boot": boot, "tick": tick, "utc_s": utc_s} for boot, tick, utc_s in pairs]
    )
    assert dates.utc_s(1, 490_000) == 1_049
    assert dates.utc_s(1, 510_000) == 1_102 - 49
    assert dates.utc_s(1, 1_510_000) == 1_204 - 49
    assert dates.utc_s(1, 3_000_000) == 1_304
    assert dates.utc_s(2, 0) == 8_950
    assert (dates.utc_s(3, 0), dates.text(3, 0)) == (None, None)
    assert dates.text(2, 1_230) == "1970-01-01T02:29:10.123Z"


def test_a_records_time_counts_in_seconds_from_the_runs_zero_of_its_own_power_up() -> None:
    record = {
        "kind": "edge",
        "boot": 2,
        "tick": 62_345,
        "level_ua": 40_250,
        "supply_mv": 12_600,
        "pattern": 5,
    }
    said = records.line(record, 50_000, 2)
    assert (said["t_s"], said["level_ma"], said["supply_mv"]) == (1.2345, 40.25, 12_600)
    assert records.line(record, 50_000, 1)["t_s"] is None
    assert records.line(record, None, 2)["t_s"] is None


def test_missing_records_are_counted_forward_up_to_half_of_the_numbers() -> None:
    def missing(*sequences: int) -> int:
        return records.missing([{"sequence": number} for number in sequences])

    assert missing(5, 6, 7) == 0
    assert missing(5, 8, 9) == 2
    assert missing(0xFFFE, 1) == 2  # it wraps: 65 535 and 0 are missing
    assert missing(0, 0x8000) == 0x7FFF  # the most
    assert missing(0, 0x8001) == 0  # a step back of as much and more
    assert missing(8, 5, 6) == 0


def test_the_last_run_is_the_last_that_began_with_its_whole_number() -> None:
    arm = {"kind": "arm", "boot": 1, "run": 0x2_0005}
    start = {"kind": "start", "boot": 1, "tick": 700, "position": 200, "slot": 3, "run_low": 5}
    later = {"kind": "start", "boot": 2, "tick": 900, "position": 0, "slot": 4, "run_low": 6}
    assert records.last_start([]) is None
    assert records.last_start([arm]) is None
    assert records.last_start([arm, start]) == records.LastRun(1, 500, 3, 0x2_0005)
    assert records.last_start([arm, start, later]) == records.LastRun(2, 900, 4, 6)
    assert records.last_start([start]) == records.LastRun(1, 500, 3, 5)


def test_a_journals_head_leaves_out_a_program_that_is_gone_and_tells_any_other_refusal() -> None:
    rig = Rig()
    box = open_box(LoopTransport(rig.say))
    box.send(3, link_cases.PROGRAM)
    box.arm(3)
    rig.wait(20_000)
    box.halt()
    assert records.read(box).head["profile"] == "two-steps"
    whole = rig.store.files["slot3"]
    rig.store.files["slot3"] = whole[:-1]
    rig.box.slots.scan(3)
    with pytest.raises(RefusedError) as refusal:
        records.read(box)
    assert refusal.value.code == -311
    rig.store.files["slot3"] = whole
    box.delete(3)
    head = records.read(box).head
    assert "profile" not in head
    assert (head["slot"], head["run"]) == (3, 1)


# -- a channel of 1 kohm at 12.6 V: 12.6 mA; a twentieth of it and 0.15 mA are 0.78 mA

OHMS_1K = TrimmedChannel(1, 1_000_000, 1_000_000, False)
SPARE_A = 0.00078


class Drawing:
    """A box with one channel that draws so much, for _measured()."""

    def __init__(self, rest_a: float, drawn_a: float, own_ua: int = 11_000) -> None:
        self._rest_a, self._drawn_a, self._own_ua = rest_a, drawn_a, own_ua
        self._closed = False

    def facts(self):  # type: ignore[no-untyped-def]
        from nightdraw.link.replies import BoardFacts

        return BoardFacts("b", self._own_ua, (1_000_000,))

    def close_channel(self, channel: int, seconds: int) -> None:
        self._closed = True

    def halt(self) -> None:
        self._closed = False

    def measure(self) -> Measurement:
        return Measurement(12.6, self._rest_a + (self._drawn_a if self._closed else 0), 25.0)

    def selftest(self) -> int:
        return 1

    def has_monitor(self) -> bool:
        return True

    def channels(self) -> list[TrimmedChannel]:
        return [OHMS_1K]


def verdict(drawn_a: float, rest_a: float = 0.011) -> tuple[bool | None, str]:
    (judged,) = tested.run(Drawing(rest_a, drawn_a)).channels  # type: ignore[arg-type]
    return judged.ok, judged.message.partition(":")[0]


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_channel_off_by_a_twentieth_and_what_a_reading_is_good_to_is_right(sign: int) -> None:
    named = "the box's own test names it, now it draws"
    assert verdict(0.0126 + sign * (SPARE_A - 1e-6))[1].startswith(named)
    assert verdict(0.0126 + sign * (SPARE_A + 1e-6))[1].startswith("draws")


def test_a_channel_that_draws_next_to_nothing_never_closes() -> None:
    assert verdict(0.0) == (False, "it never closes")
    assert verdict(SPARE_A - 1e-6) == (False, "it never closes")
    assert verdict(SPARE_A + 1e-6)[1].startswith("draws")


def test_a_current_with_every_switch_open_is_a_switch_that_does_not() -> None:
    """Beyond the box's own consumption and the half milliampere that the monitor may be off."""
    assert verdict(0.0, rest_a=0.0116) == (False, "its switch doesn't open")
    assert verdict(0.0, rest_a=0.0114) == (False, "it never closes")
    assert verdict(0.0, rest_a=0.0236) == (False, "its switch doesn't open")


@pytest.mark.parametrize(("bad", "message"), [((2,), "channel 2 fails"), ((1, 3), "channels 1, 3 fail")])
def test_the_channels_that_fail_are_named(bad: tuple[int, ...], message: str) -> None:
    class Several(Drawing):
        def close_channel(self, channel: int, seconds: int) -> None:
            assert seconds == 2  # it opens by itself then, whatever becomes of the host
            self._closed = channel not in bad

        def channels(self) -> list[TrimmedChannel]:
            return [TrimmedChannel(number, 1_000_000, 1_000_000, False) for number in (1, 2, 3)]

        def selftest(self) -> int:
            return bad[0]

    done: list[int] = []
    found = tested.run(Several(0.011, 0.0126), done.append)  # type: ignore[arg-type]
    assert done == [1, 2, 3]
    assert (found.message, found.ok, found.code) == (message, False, bad[0])
    assert [one.ohms for one in found.channels if one.ok] == [1000.0] * (3 - len(bad))
