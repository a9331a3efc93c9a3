"""Rules of `bank check` at their bounds: right at the figure, wrong a little beyond; and the converter's
voltages, worked out by hand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

import pytest
from nightdraw.bank.circuit import node_voltages as nodes
from nightdraw.bank.circuit.part_text import WORST, family
from nightdraw.bank.circuit.transients import system
from nightdraw.bank.heat.mounted import MountedChannel, mounted_channels
from nightdraw.bank.parts.resistor_packages import CATALOGUE, own_package
from nightdraw.bank.remarks import Remark
from nightdraw.bank.rules import gates, plausibility, supplies
from nightdraw.board import BoardModel, OwnPackage, load_board

BOARD = load_board()
SWITCH = BOARD.switch
assert SWITCH is not None
GATES = BOARD.circuit.gates
assert GATES is not None
MILLI = Fraction(1, 1000)


def said(remarks: Iterable[Remark], rule: str, part: str = "") -> list[str]:
    """The messages of a rule about parts whose names begin so."""
    return [one.message for one in remarks if one.rule == rule and one.part.startswith(part)]


def with_switch(**changes: object) -> BoardModel:
    return replace(BOARD, switch=replace(SWITCH, **changes))  # type: ignore[type-var, arg-type]


def of_switch(**changes: object) -> list[str]:
    return said(plausibility.remarks(with_switch(**changes), []), "part-figures", "switch")


def rows(*pairs: tuple[str, str]) -> tuple[object, ...]:
    return tuple(replace(SWITCH.specified[0], gate_v=Fraction(v), ohms=Fraction(r)) for v, r in pairs)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("good", "bad", "words"),
    [
        (
            {"junction_c": Fraction(200)},
            {"junction_c": Fraction("200.1")},
            "a junction of 200.1 C: silicon ends at 200 C",
        ),
        ({"to_air_k_w": Fraction(20)}, {"to_air_k_w": Fraction("19.9")}, "19.9 K/W to air"),
        (
            {"tempco": Fraction(2, 1000)},
            {"tempco": Fraction(199, 10**5)},
            "grows by 1990 ppm/K: sheets have 2000 to 12000",
        ),
        ({"tempco": Fraction(12, 1000)}, {"tempco": Fraction(1201, 10**5)}, "grows by 12010 ppm/K"),
        ({"specified": rows(("2", "0.05"))}, {"specified": rows(("1.99", "0.05"))}, "below 2 V on the gate"),
        ({"specified": rows(("5", "0.001"))}, {"specified": rows(("5", "0.0009"))}, "less than 1 mohm on"),
        (
            {"specified": rows(("4", "0.05"), ("5", "0.05"))},
            {"specified": rows(("4", "0.05"), ("5", "0.051"))},
            "rows mixed up",
        ),
    ],
)
def test_a_mosfets_figures_at_the_ends_of_what_sheets_have(good: dict, bad: dict, words: str) -> None:
    assert of_switch(**good) == []
    (message,) = of_switch(**bad)
    assert words in message


def test_what_on_ohms_may_be_off_is_a_hundredth_of_its_channel() -> None:
    """Sheet 50 mohm, hot 80, and 100 of wires: 0.18 ohm; 100 ohm may be 1 ohm off that."""
    board = with_switch(specified=rows(("5", "0.05")))
    for on, bad in (("1.179", False), ("1.181", True)):
        channels = (replace(BOARD.channels[0], ohms=Fraction(100), on_ohms=Fraction(on)),)
        found = said(
            plausibility.remarks(replace(board, channels=channels), []), "on-resistance", "channel 1"
        )
        assert bool(found) is bad
    assert "0.18 ohm at the most" in found[0]
    assert "taken 1 % too small" in found[0]


def package_said(given: dict[str, Fraction], like: str = "film-3w", **more: object) -> list[str]:
    package = replace(own_package("own", CATALOGUE[like], given), **more)  # type: ignore[arg-type]
    channel = MountedChannel(1, replace(BOARD.channels[0], package="own"), package)
    board = replace(BOARD, packages=(OwnPackage("own", "film-3w", {}),))
    return said(plausibility.remarks(board, [channel]), "part-figures", "channel 1")


def test_an_own_resistors_figures_at_the_ends_of_what_there_is() -> None:
    """K/W between hot spot and air: (zero - full) / rating."""
    seventy = {"full_to": Fraction(70), "rating": Fraction(10)}
    assert package_said({**seventy, "zero_at": Fraction("90.1")}) == []
    assert (
        "2 K/W between hot spot and surroundings" in package_said({**seventy, "zero_at": Fraction("89.9")})[0]
    )
    assert package_said({**seventy, "zero_at": Fraction(70)})[0] == "own: zero_at must be above full_to"
    assert package_said({"zero_at": Fraction(450)}) == []
    assert package_said({"zero_at": Fraction("450.5")}) == ["own: a hot spot of 450.5 C"]


def test_a_resistor_is_made_within_its_range_ends_included() -> None:
    low, high = CATALOGUE["film-3w"].ohms
    for ohms, count in ((low, 0), (high, 0), (low * 0.999, 1), (high * 1.001, 1)):
        channel = replace(BOARD.channels[0], ohms=Fraction(ohms), each=None, package="film-3w")
        found = said(
            plausibility.remarks(BOARD, [MountedChannel(1, channel, CATALOGUE["film-3w"])]), "resistor-body"
        )
        assert len(found) == count


# -- supplies


def test_a_box_that_runs_on_less_than_any_processor_is_refused() -> None:
    """25 mW: 2 mA at 12.5 V."""
    board = replace(BOARD, supply_nominal_mv=12_500, own_ua=2_000)
    assert said(supplies.remarks(board), "own-draw") == []
    (message,) = said(supplies.remarks(replace(board, own_ua=1_999)), "own-draw")
    assert message.startswith("1.999 mA running")


@pytest.mark.parametrize(
    ("nominal_mv", "bad"), [(9_000, False), (8_999, True), (16_000, False), (16_001, True)]
)
def test_the_guard_leaves_the_nominal_supply_in(nominal_mv: int, bad: bool) -> None:
    caps = {**BOARD.caps, "supply_min_mv": 9_000, "supply_max_mv": 16_000}
    found = said(
        supplies.remarks(replace(BOARD, caps=caps, supply_nominal_mv=nominal_mv)), "guard-supply", "caps"
    )
    assert any("leave out the nominal" in message for message in found) is bad


def test_the_guards_upper_end_is_at_most_a_jump_start() -> None:
    jump_mv = round(system(BOARD).jump_v * 1000)
    for more, bad in ((0, False), (1, True)):
        caps = {**BOARD.caps, "supply_max_mv": jump_mv + more}
        found = said(supplies.remarks(replace(BOARD, caps=caps)), "guard-supply", "caps")
        assert any("above a jump start's" in message for message in found) is bad


def test_a_clamps_figures_at_their_bounds() -> None:
    """ISO 7637-2 pulse 1: 150 V behind 10 ohm; no suppressor clamps at less than 1.15 of its breakdown."""
    clamp = BOARD.circuit.clamp
    assert clamp is not None

    def found(**changes: object) -> list[str]:
        circuit = replace(BOARD.circuit, clamp=replace(clamp, **changes))  # type: ignore[type-var, arg-type]
        return said(supplies.remarks(replace(BOARD, circuit=circuit)), "clamp-figures")

    bears = {"clamps_v": Fraction(60), "breakdown_v": Fraction(40)}
    assert found(**bears, at_a=Fraction(9)) == []
    assert "brings 9 A (150 V, 10 ohm)" in found(**bears, at_a=Fraction("8.99"))[0]
    steep = {"breakdown_v": Fraction(50), "at_a": Fraction(100)}
    assert found(**steep, clamps_v=Fraction("57.6")) == []
    assert "no suppressor is so steep" in found(**steep, clamps_v=Fraction("57.4"))[0]


def test_the_five_volt_supply_at_the_ends_of_its_tolerance() -> None:
    converter = BOARD.circuit.converter
    assert converter is not None
    low, high = nodes.output_v(converter)
    assert (5 - low, high - 5) == (pytest.approx(high - 5), pytest.approx(5 * (nodes.RIPPLE - 1)))

    def found(output: float, lockout: float | None = 4.0) -> list[str]:
        volts = Fraction(output)
        both = (
            replace(converter, output_v=volts),
            replace(GATES, supply_v=volts, lockout_v=None if lockout is None else Fraction(lockout)),
        )  # type: ignore[type-var, arg-type]
        board = replace(BOARD, circuit=replace(BOARD.circuit, converter=both[0], gates=both[1]))
        remarks = list(supplies.remarks(board))
        return said(remarks, "converter-output") + said(remarks, "gate-lockout")

    share = nodes.RIPPLE - 1
    assert found(5.5 / (1 + share) - 1e-6, None) == []
    assert "bear 5.5 V" in found(5.5 / (1 + share) + 1e-4, None)[0]
    assert found(4.5 / (1 - share) + 1e-6, None) == []
    assert "need 4.5 V" in found(4.5 / (1 - share) - 1e-4, None)[0]
    sure = 5 * (1 - share)
    assert found(5.0, sure - 0.25) == []
    assert "might never come on" in found(5.0, sure - 0.249)[0]


# -- gates


def test_the_converters_input_with_its_current_growing_as_the_supply_falls() -> None:
    converter = BOARD.circuit.converter
    assert converter is not None
    board = replace(BOARD, own_ua=10_000, supply_nominal_mv=12_000)
    reverse = board.circuit.reverse
    drop_v = 0.0 if reverse is None else float(reverse.drop_v or 0)
    ohms = float(converter.series_ohms) * 1.05
    assert nodes.converter_input_v(board, converter, 6.0) == pytest.approx(6 - drop_v - 0.04 * ohms)
    assert nodes.converter_input_v(board, converter, 24.0) == pytest.approx(24 - drop_v - 0.02 * ohms)


def gates_said(rule: str, part: str = "", **changes: object) -> list[str]:
    board = replace(BOARD, circuit=replace(BOARD.circuit, gates=replace(GATES, **changes)))  # type: ignore[type-var, arg-type]
    return said(gates.gates(board), rule, part)


def test_gate_rules_at_their_bounds() -> None:
    kind = family(GATES.part) or WORST  # type: ignore[union-attr]
    most_ohms = 0.7 / (1.05 * kind.leak_a)
    assert gates_said("gate-pull-down", pull_down_ohms=Fraction(most_ohms * 0.999)) == []
    assert gates_said("gate-pull-down", pull_down_ohms=Fraction(most_ohms * 1.001))
    assert gates_said("gate-series", series_ohms=Fraction(10)) == []
    assert "9.99 ohm in series" in gates_said("gate-series", series_ohms=Fraction("9.99"))[0]
    slow_ohms = (1e-4 * 5 / 60e-9 / 3 - kind.output_ohms) / 1.05
    assert gates_said("gate-series", series_ohms=Fraction(slow_ohms * 0.999)) == []
    assert "half driven" in gates_said("gate-series", series_ohms=Fraction(slow_ohms * 1.001))[0]
    sinks_ohms = float(GATES.supply_v) * nodes.RIPPLE * 1.05 / 0.004  # type: ignore[union-attr]
    down = {"enable_pull_down_ohms": None}
    assert not [
        m
        for m in gates_said("enable-pull-up", **down, enable_pull_up_ohms=Fraction(sinks_ohms * 1.001))
        if "sink" in m
    ]
    assert (
        "would sink 4"
        in gates_said("enable-pull-up", **down, enable_pull_up_ohms=Fraction(sinks_ohms * 0.999))[0]
    )


def test_the_output_enable_stays_within_what_the_controllers_pin_bears() -> None:
    """Its own 3.3 V at the low end, and 0.3 V: by halving, the pull-down that divides to just that."""
    most = 3.3 * (2 - nodes.RIPPLE) + 0.3
    low, high = 1_000.0, 1_000_000.0
    for _ in range(60):
        middle = (low + high) / 2
        made = replace(GATES, enable_pull_down_ohms=Fraction(middle))  # type: ignore[type-var]
        low, high = (
            (middle, high) if nodes.enable_pin_v(made, len(gates.buffers_of(BOARD))) < most else (low, middle)
        )
    assert gates_said("enable-pin", enable_pull_down_ohms=Fraction(low * 0.999)) == []
    assert "at the output-enable" in gates_said("enable-pin", enable_pull_down_ohms=Fraction(low * 1.001))[0]


def test_a_gate_bears_what_the_buffer_gives_at_its_most() -> None:
    top = float(GATES.supply_v) * nodes.RIPPLE  # type: ignore[union-attr]
    for volts, bad in ((Fraction(top) + MILLI, False), (Fraction(top) - MILLI, True)):
        assert bool(said(gates.gates(with_switch(gate_max_v=volts)), "gate-volts")) is bad
    assert "not named" in said(gates.gates(with_switch(gate_max_v=None)), "gate-volts")[0]


def test_a_half_driven_gate_is_told_where_its_mosfet_bears_less() -> None:
    """16 V at the low end of the least resistor: V^2 / 4R against (junction - air) / (K/W)."""
    least = min(float(c.ohms) * (1 - float(c.tolerance_pct) / 100) for c in BOARD.channels)
    volts = BOARD.caps["supply_max_mv"] / 1000
    watts = volts**2 / 4 / least
    bears = (float(SWITCH.junction_c) - gates.AROUND_C) / watts  # type: ignore[union-attr]
    for share, told in ((0.999, False), (1.001, True)):
        board = with_switch(to_air_k_w=Fraction(bears * share))
        assert bool(said(gates.half_driven(board, board.switch, GATES), "half-driven-gate")) is told  # type: ignore[arg-type]


def test_pins_have_one_user_each_and_channels_lie_side_by_side() -> None:
    assert list(gates.pins(BOARD)) == []
    first, *rest = BOARD.channels
    twice = replace(BOARD, channels=(first, replace(rest[0], pin=first.pin), *rest[1:]))
    (message,) = said(gates.pins(twice), "pin-shared")
    assert message == f"GPIO {first.pin} already serves channel 1: one pin, one user"
    assert said(gates.pins(twice), "pins-edge-player")


def test_every_other_user_of_a_pin_has_its_name() -> None:
    """A channel on each pin that something else has, in turn: it was there first, so the other is refused."""
    others = BOARD.circuit.pins
    users = {
        others.enable: "gate buffer's enable",
        others.arm: "arm switch",
        others.button: "button",
        others.indicator: "indicator",
        gates.SUPPLY_PIN: "supply divider",
        gates.THERMISTOR_PIN: "thermistor",
        gates.SDA_PIN: "monitor's data",
        gates.SCL_PIN: "monitor's clock",
        **{pin: f"selector {weight}" for pin, weight in zip(others.selector, (1, 2, 4, 8), strict=True)},
    }
    board = replace(BOARD, monitor=True)
    assert board.circuit.sense.gain is None
    assert len(users) == 12
    for pin, name in users.items():
        taken = replace(board, channels=(replace(board.channels[0], pin=pin), *board.channels[1:]))
        found = [one for one in gates.pins(taken) if one.rule == "pin-shared"]
        assert [one.part for one in found] == [name]
    unmeasured = replace(board, monitor=False)
    for pin in (gates.SDA_PIN, gates.SCL_PIN):
        free = replace(unmeasured, channels=(replace(board.channels[0], pin=pin), *board.channels[1:]))
        assert said(gates.pins(free), "pin-shared") == []


def test_figures_in_the_gates_messages() -> None:
    (message,) = gates_said("enable-pull-up", enable_pull_up_ohms=Fraction(100_000))
    assert "enable_pull_up of 100 kohm leaves" in message
    message = gates_said("enable-pull-up", enable_pull_down_ohms=None, enable_pull_up_ohms=Fraction(500))[0]
    assert message.startswith("500 ohm: the processor's pin would sink ")
    assert message.endswith("it is specified to 4 mA")
    (message,) = gates_said("gate-pull-down", pull_down_ohms=Fraction(1_000_000))
    assert "over a pull-down of 1000 kohm" in message
    assert "off below 0.7 V" in message
    (message,) = gates_said("gate-series", series_ohms=Fraction(100_000))
    assert message.startswith("with 100000 ohm a gate takes 3.78e+03 us")
    assert "longer than 100 us" in message


def test_the_converter_still_regulates_at_the_lowest_supply() -> None:
    """1.5 V above the upper end of its output, less what reverse protection and series resistor take."""
    converter = BOARD.circuit.converter
    assert converter is not None
    needed = float(converter.output_v) * nodes.RIPPLE + 1.5
    enough_mv = next(
        mv for mv in range(4_000, 12_000) if nodes.converter_input_v(BOARD, converter, mv / 1000) >= needed
    )
    for mv, bad in ((enough_mv, False), (enough_mv - 1, True)):
        caps = {**BOARD.caps, "supply_min_mv": mv}
        found = said(supplies.remarks(replace(BOARD, caps=caps)), "guard-supply", "caps")
        assert any("before any guard acts" in message for message in found) is bad
        found = said(supplies.remarks(replace(BOARD, supply_min_mv=mv)), "converter-headroom", "supply")
        assert bool(found) is bad


def test_channels_are_mounted_in_the_boards_order() -> None:
    assert [one.number for one in mounted_channels(BOARD)] == list(range(1, len(BOARD.channels) + 1))
