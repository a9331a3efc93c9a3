"""A sizing as a whole: it adds up, its board file is read back, and its remarks say what is wrong."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw import data, places
from nightdraw.bank.heat.steady_state import steady_heat
from nightdraw.bank.sizing import channel_search, size_bank
from nightdraw.bank.sizing.board_text import text
from nightdraw.bank.sizing.level_error import Spread
from nightdraw.bank.sizing.request import MAX_LEVELS, SizingRequest
from nightdraw.bank.sizing.size_bank import Sized, size
from nightdraw.board import BoardModel, OwnPackage, load_board
from nightdraw.board.circuit import Controller, Reverse
from nightdraw.errors import InputError

from tests.bank.boards import board, channel
from tests.profile.made import plain

MA = Fraction(1, 1000)
STILL = (Fraction("12.6"), Fraction("12.6"))  # a supply that never moves: every level a single target


def request(*levels_ma: int, **more: object) -> SizingRequest:
    asked = {
        "levels_a": tuple(level * MA for level in levels_ma),
        "supply_v": Fraction("12.6"),
        "range_v": (Fraction(11), Fraction(15)),
        **more,
    }
    return SizingRequest(**asked)  # type: ignore[arg-type]


def remarks(sized: Sized, rule: str) -> list[str]:
    return [remark.message for remark in sized.remarks if remark.rule == rule]


def over_the_range(ohms: list[float], level_a: float) -> float:
    """How far a level is off at the worst of 801 supplies of 11 to 15 V, trying every pattern at each."""
    sums = [
        sum(1 / value for bit, value in enumerate(ohms) if pattern >> bit & 1)
        for pattern in range(2 ** len(ohms))
    ]
    supplies = [11 + 4 * step / 800 for step in range(801)]
    return max(min(abs(one * volts / level_a - 1) for one in sums) for volts in supplies)


levels = st.lists(st.integers(5, 1000), min_size=1, max_size=12, unique=True)


@settings(deadline=None, max_examples=12)
@given(levels, st.integers(1, 3), st.sampled_from(["E12", "E24"]))
def test_a_sizing_adds_up(levels_ma: list[int], channels: int, series: str) -> None:
    sized = size(request(*levels_ma, channels=channels, series=series), "made")
    # fewer channels only where they leave no error: 180 mA is two of 140 ohm to the digit
    assert len(sized.channels) == channels or (len(sized.channels) < channels and sized.choice.error == 0)
    ohms = [float(each.ohms) for each in sized.channels]
    assert ohms == sorted(ohms, reverse=True)  # channel 1 draws least
    for level, pattern, nominal, error in zip(
        sized.request.levels_a, sized.patterns, sized.nominal_ma, sized.errors, strict=True
    ):
        by_hand = sum(12.6 / value for bit, value in enumerate(ohms) if pattern >> bit & 1) * 1000
        assert nominal == pytest.approx(by_hand)
        assert error.worst >= abs(nominal / float(level * 1000) - 1) - 1e-12
    largest = max(over_the_range(ohms, float(level)) for level in sized.request.levels_a)
    assert sized.choice.error == pytest.approx(largest, abs=1e-3), "between two of the supplies tried"
    assert sized.choice.error <= max(error.worst for error in sized.errors) + 1e-12
    assert sized.choice.gap == pytest.approx(0, abs=1e-9)
    for each in sized.channels:
        assert each.worst_w * each.count == pytest.approx(15**2 / float(each.ohms))
        assert each.worst_w <= each.allowed_w / each.count


@settings(deadline=None, max_examples=10)
@given(levels, st.integers(2, 3), st.sampled_from([(11, 15), (10, 16)]))
def test_the_board_file_is_read_back_as_it_was(
    levels_ma: list[int], channels: int, span: tuple[int, int]
) -> None:
    limits = (Fraction(span[0]), Fraction(span[1]))
    sized = size(request(*levels_ma, channels=channels, range_v=limits), "made")
    assert read_back(text(sized.board, ["made for a test"])) == sized.board
    assert steady_heat(sized.board, 40.0) == sized.heat


def read_back(content: str) -> BoardModel:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.yaml"
        path.write_text(content, encoding="utf-8")
        schema = json.loads((data.folder("hardware") / "board.schema.json").read_text())
        jsonschema.validate(plain(places.read(path)[0]), schema)
        return load_board(path)


@pytest.mark.parametrize("path", sorted(data.folder("hardware").glob("*.yaml")), ids=lambda path: path.stem)
def test_shipped_boards_survive_being_written_and_read(path: Path) -> None:
    """All they say, what equality leaves out included: nobody's circuit is lost on the way."""
    board, again = load_board(path), read_back(text(load_board(path)))
    assert again == board
    assert (again.own_states_ua, again.own_basis) == (board.own_states_ua, board.own_basis)


def test_parts_that_no_shipped_board_has_survive_it_too() -> None:
    shipped = load_board()
    sense = replace(shipped.circuit.sense, gain=50)
    reverse = Reverse("diode", "a Schottky diode", Fraction(60), None, Fraction("0.55"), None, None)
    controller = Controller(Fraction(96_000_000), Fraction(5, 1000))
    circuit = replace(shipped.circuit, sense=sense, reverse=reverse, controller=controller, fuse=None)
    packages = (
        OwnPackage("mine", "film-1w", {"rating": Fraction("1.5"), "tempco": Fraction(50, 1_000_000)}),
    )
    model = replace(shipped, circuit=circuit, packages=packages)
    assert read_back(text(model)) == model


def test_a_split_channel_survives_it_too() -> None:
    four = channel(27, "clad-25w", "plate", each=Fraction(27), in_series=2, in_parallel=2)
    model = board(four, channel(91, "clad-10w", "plate"))
    assert read_back(text(model)) == model


def test_the_own_consumption_is_part_of_every_level() -> None:
    sized = size(request(15, 40, own_a=11 * MA, channels=2, range_v=STILL), "made")
    assert sized.nominal_ma == pytest.approx([15, 40], rel=0.02)
    bank_only = [12.6 / float(each.ohms) * 1000 for each in sized.channels]
    assert bank_only[0] == pytest.approx(4, rel=0.1)
    assert sized.board.own_ua == 11_000
    assert not remarks(sized, "own")
    assert remarks(size(request(15, 40, channels=2), "made"), "own")


def test_switch_and_wire_can_be_counted_in_the_choice() -> None:
    sized = size(request(1000, channels=1, on_ohms=Fraction(2), range_v=STILL), "made")
    assert [float(each.ohms) for each in sized.channels] == [11]  # 12.6 ohm less 2 ohm: 11 of E24 is nearest
    assert sized.nominal_ma == pytest.approx([12.6 / 13 * 1000])


def test_a_24_volt_bank_is_weighed_at_its_highest_supply() -> None:
    sized = size(
        request(20, 100, 500, supply_v=Fraction(25), range_v=(Fraction(18), Fraction(32)), channels=4), "made"
    )
    assert sized.heat.supply_v == 32
    assert sized.ok
    assert sized.heat.ok


def test_levels_that_no_pattern_makes_are_an_error() -> None:
    sized = size(request(5, 1000, channels=1), "made")
    assert not sized.ok or sized.choice.error < 1
    hopeless = size(request(5, 600, channels=1, ohms_range=(Fraction(20), Fraction(30))), "made")
    assert not hopeless.ok
    assert remarks(hopeless, "level")


def test_a_level_that_is_not_made_is_an_error_without_being_asked() -> None:
    """350 mA of resistors from 10 kohm on: 98 % off is not ok."""
    sized = size(request(350, channels=6, ohms_range=(Fraction(10_000), Fraction(100_000))), "made")
    assert not sized.ok
    assert "98" in remarks(sized, "error")[0]


@pytest.mark.parametrize(
    ("level_ma", "ohms"), [(50_000, (Fraction(1, 10), Fraction(10))), (100_000, (Fraction(1, 10),) * 2)]
)
def test_currents_that_nothing_bears_end_in_errors_that_say_so(
    level_ma: int, ohms: tuple[Fraction, Fraction]
) -> None:
    sized = size(request(level_ma, channels=2, ohms_range=ohms), "made")
    assert not sized.ok
    assert remarks(sized, "power")
    assert remarks(sized, "heat")


@pytest.mark.parametrize("more", [0, 1])
def test_levels_beyond_those_that_are_named_are_counted(more: int) -> None:
    """With a tolerance of 1 % every level is off by more than 0.01 %: as many as are named, and one more."""
    levels = range(100, 100 + 10 * (size_bank.MOST_NAMED + more), 10)
    found = remarks(size(request(*levels, channels=2, within=0.0001, range_v=STILL), "made"), "error")
    assert len(found) == size_bank.MOST_NAMED + more
    assert [text for text in found if "further" in text] == found[len(found) - more :]
    assert "1 further levels" in found[-1] or not more


def test_within_makes_a_wide_level_an_error() -> None:
    loose, tight = (size(request(15, 40, channels=2, within=limit), "made") for limit in (0.5, 0.001))
    assert loose.ok
    assert not tight.ok
    assert "in the worst case" in remarks(tight, "error")[0]


def test_a_bank_that_burns_says_so() -> None:
    sized = size(request(9000, channels=1, packages=("film-0.6w",)), "made")
    assert not sized.ok
    assert remarks(sized, "power")


@pytest.mark.parametrize(("level_ma", "severity"), [(100, None), (250, "warning"), (420, "error")])
def test_a_resistor_above_half_its_rating_is_warned_of(level_ma: int, severity: str | None) -> None:
    """Nine of 0.6 W at most: below half of that nothing is said (common practice), above all of it no is."""
    sized = size(request(level_ma, channels=1, packages=("film-0.6w",)), "made")
    told = [remark.severity for remark in sized.remarks if remark.rule == "power"]
    assert told == ([] if severity is None else [severity])


def test_bodies_given_are_the_ones_used() -> None:
    sized = size(request(40, 350, channels=2, packages=("ceramic-5w", "ceramic-17w")), "made")
    assert {each.package.name for each in sized.channels} <= {"ceramic-5w", "ceramic-17w"}


def test_more_channels_than_the_shipped_wiring_has_pins_for_are_pointed_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # the values don't matter here, nor how sure they are
    monkeypatch.setattr(channel_search, "DEADLINE_S", 0.5)
    sized = size(request(*range(100, 1001, 100), channels=11, series="E6", range_v=STILL), "made")
    assert remarks(sized, "pins")
    assert not remarks(size(request(100, channels=10, range_v=STILL), "made"), "pins")


def test_a_channel_in_no_pattern_is_pointed_out() -> None:
    """One level of exactly one resistor: the second channel has nothing to do."""
    sized = size(request(1260, channels=2, range_v=STILL), "made")
    assert sized.choice.error == pytest.approx(0, abs=1e-12)
    assert len(remarks(sized, "idle")) == sum(not sized.patterns[0] >> bit & 1 for bit in range(2))


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"levels_a": ()}, "no level is wanted"),
        ({"levels_a": (Fraction(1),) * (MAX_LEVELS + 1)}, "are the most"),
        ({"levels_a": (Fraction(0),)}, "above 0 A"),
        ({"own_a": Fraction(1)}, "own consumption"),
        ({"supply_v": Fraction(16)}, "within its range"),
        ({"packages": ("film-7w",)}, "no resistor package is called 'film-7w'"),
        ({"series": "E25"}, "did you mean 'E24'"),
        ({"ohms_range": (Fraction(101, 100), Fraction(102, 100))}, "has no value"),
    ],
)
def test_wishes_without_sense_are_refused(more: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        size(replace(request(15), **more), "made")  # type: ignore[arg-type]


def test_a_cold_yard_counts_as_drift_where_nothing_gets_warm(monkeypatch: pytest.MonkeyPatch) -> None:
    """25 C and -10 C are 35 K apart: a milliampere warms no resistor by as much."""
    seen = []

    def spread(siemens, tolerance, drift, supply_v, own_a):  # type: ignore[no-untyped-def]
        seen.append(drift)
        return Spread(siemens, tolerance, drift, supply_v, own_a)

    monkeypatch.setattr(size_bank, "Spread", spread)
    sized = size(request(1, 2, channels=2, range_v=STILL, ambient_c=20.0), "cold")
    (drift,) = seen
    for share, channel_ in zip(drift, sized.channels, strict=True):
        assert share == pytest.approx(35 * channel_.package.tempco_ppm * 1e-6)


def test_what_is_asked_of_the_box_itself_stands_on_its_board() -> None:
    """Its own consumption and the resistance beside each resistor; else the usual ones."""
    plain_board, asked = (
        size(request(100, range_v=STILL, channels=3, **more), "made").board
        for more in ({}, {"own_a": 23 * MA, "on_ohms": Fraction("0.2")})
    )
    assert asked.own_ua == 23_000
    assert {one.on_ohms for one in asked.channels} == {Fraction("0.2")}
    assert asked.own_states_ua == {}
    assert plain_board.own_ua != asked.own_ua
    assert {one.on_ohms for one in plain_board.channels} != {Fraction("0.2")}
    assert plain_board.own_states_ua != {}
