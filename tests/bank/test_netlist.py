"""The netlist of every shipped board, and the electrical rules on netlists broken on purpose."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bank.circuit import ngspice, spice
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.control import gpio_pin
from nightdraw.bank.circuit.gate_drive import letters, resistors_of
from nightdraw.bank.circuit.netlist import GROUND, Join, Netlist, Stress
from nightdraw.bank.circuit.passives import PULSE_ENERGY
from nightdraw.bank.circuit.transients import system
from nightdraw.bank.drawings import documents
from nightdraw.bank.rules import electrical
from nightdraw.board import load_board

TEXT = data.board_path().read_text()
SHIPPED = sorted(data.folder("hardware").glob("*.yaml"))


@pytest.fixture(scope="module")
def netlist() -> Netlist:
    return build(load_board())


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_netlists_hold_every_rule(path: Path) -> None:
    assert list(electrical.remarks(build(load_board(path)))) == []


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_channel_runs_from_its_pin_to_ground(path: Path) -> None:
    """GPIO, buffer, gate resistor, gate; supply, resistors, drain, source, return: followed by hand."""
    board = load_board(path)
    netlist = build(board)
    for number, channel in enumerate(board.channels, 1):
        pin = gpio_pin(channel.pin)
        assert pin is not None
        inlet = netlist.net("U1", pin)
        buffered = [join for join in netlist.nets()[inlet or ""] if join.ref in ("U2", "U3")]
        assert len(buffered) == 1
        outlet = netlist.net(buffered[0].ref, "Y" + buffered[0].pin[1:])
        gate = netlist.net(f"Q{number}", "G")
        assert outlet is not None
        assert gate is not None
        assert [part.ref for part in netlist.between(outlet, gate)] == [f"RG{number}"]
        packages = resistors_of(netlist.parts, number)
        assert len(packages) == channel.count
        assert netlist.net(f"Q{number}", "S") == ("RET" if board.monitor else GROUND)


def test_a_split_channel_is_wired_as_it_says(tmp_path: Path) -> None:
    """Two in series, two such strings: the resistance from VP to the drain is that of the channel."""
    text = data.board_path().read_text()
    old = "ohms: 620 ohm, tolerance: 1 %, on_ohms: 0.05 ohm, body: film-1w"
    assert old in text
    (tmp_path / "b.yaml").write_text(text.replace(old, old + ", each: 620 ohm, in_series: 2, in_parallel: 2"))
    netlist = build(load_board(tmp_path / "b.yaml"))
    middle = {netlist.net(f"RB5{letter}", pin) for letter in "abcd" for pin in "12"} - {"VP", "D5"}
    assert len(middle) == 2
    for net in middle:
        assert net is not None
        assert len(netlist.nets()[net]) == 2
        assert len(list(netlist.between("VP", net))) == len(list(netlist.between(net, "D5"))) == 1


def without(netlist: Netlist, ref: str) -> Netlist:
    """The netlist with one part taken out."""
    parts = tuple(part for part in netlist.parts if part.ref != ref)
    return Netlist(parts, tuple(join for join in netlist.joins if join.ref != ref))


def rules(netlist: Netlist) -> set[tuple[str, str]]:
    """Parts and rules that are broken."""
    return {(remark.part, remark.rule) for remark in electrical.remarks(netlist)}


def test_a_gate_without_its_pull_down(netlist: Netlist) -> None:
    assert rules(without(netlist, "RP3")) == {("Q3", "gate-pull-down")}


@pytest.mark.parametrize(
    ("cap", "part"), [("C2", "PS1"), ("C9", "U2"), ("C4", "U1"), ("C12", "U4"), ("C5", "U5")]
)
def test_a_supply_pin_without_its_capacitor(netlist: Netlist, cap: str, part: str) -> None:
    assert (part, "supply-capacitor") in rules(without(netlist, cap))


def test_a_capacitor_that_serves_another_part_does_not_count(netlist: Netlist) -> None:
    parts = tuple(dataclasses.replace(p, near="U4") if p.ref == "C9" else p for p in netlist.parts)
    assert rules(Netlist(parts, netlist.joins)) == {("U2", "supply-capacitor")}


def test_a_net_with_one_pin(netlist: Netlist) -> None:
    joins = (*netlist.joins, Join("STRAY", "U1", "17 GP13"))
    assert ("U1", "net-single-pin") in rules(Netlist(netlist.parts, joins))


def test_a_pin_on_two_nets(netlist: Netlist) -> None:
    joins = (*netlist.joins, Join("VP", "RG1", "1"))
    assert ("RG1", "pin-two-nets") in rules(Netlist(netlist.parts, joins))


def test_a_pin_left_open_and_one_that_is_not_there(netlist: Netlist) -> None:
    open_one = tuple(join for join in netlist.joins if (join.ref, join.pin) != ("U2", "OE1"))
    assert ("U2", "pin-open") in rules(Netlist(netlist.parts, open_one))
    joins = (*netlist.joins, Join("VP", "RG1", "3"))
    assert ("RG1", "pin-unknown") in rules(Netlist(netlist.parts, joins))


def test_a_rating_below_its_worst_case(netlist: Netlist) -> None:
    stressed = Stress("voltage", 59.3, 50.0, "V")
    parts = tuple(dataclasses.replace(p, stress=(stressed,)) if p.ref == "C2" else p for p in netlist.parts)
    assert rules(Netlist(parts, netlist.joins)) == {("C2", "rating")}


def test_almost_every_part_states_its_worst_case(netlist: Netlist) -> None:
    silent = {part.ref for part in netlist.parts if not part.stress}
    assert silent == {"X1", "S1", "S2", "S3"}, "contacts and splice carry what any of them bears"


VARIANTS = {
    "a diode keeps the reversed supply out": (
        TEXT[TEXT.index("reverse:") : TEXT.index("converter:")],
        "reverse:\n  kind: diode\n  part: Schottky diode, 3 A, 60 V, axial\n  volts: 60 V\n  drop: 0.5 V\n",
        ("D0", "Q0"),
    ),
    "an amplifier stands in for the monitor": (
        "current: monitor\n", "current: amplifier\n  gain: 20\n", ("U5", "R10"),
    ),
    "nine by nine resistors": (
        "body: film-1w", "body: film-1w, each: 620 ohm, in_series: 9, in_parallel: 9", ("RB5cc", "RB5"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", VARIANTS)
def test_other_circuits_hold_every_rule_and_are_drawn(tmp_path: Path, name: str) -> None:
    old, new, (there, gone) = VARIANTS[name]
    assert TEXT.count(old) == 1
    (tmp_path / "variant.yaml").write_text(TEXT.replace(old, new))
    board = load_board(tmp_path / "variant.yaml")
    netlist = build(board)
    refs = {part.ref for part in netlist.parts}
    assert there in refs
    assert gone not in refs
    assert list(electrical.remarks(netlist)) == []
    made = documents(board)
    assert there in made["parts.csv"].decode().replace(",", " ").split()
    if ngspice.available():
        reversed_ = "alter vsup = -14\nop\nprint i(vsup)"
        assert abs(ngspice.run(spice.deck(board, netlist, control=reversed_))["i(vsup)"][0]) < 1e-3


def test_letters_count_on_after_z() -> None:
    assert [letters(number) for number in (0, 25, 26, 27, 80)] == ["a", "z", "aa", "ab", "cc"]


def test_the_charging_resistor_bears_half_c_v_squared_of_the_highest_supply() -> None:
    """Textbook; of the standard's load dump, where the board's own range ends lower."""
    for name, volts in (("workshop-12v", 35.0), ("workshop-24v", 58.0)):
        board = load_board(data.folder("hardware") / f"{name}.yaml")
        assert system(board).dump_v == volts
        assert board.caps["supply_max_mv"] < 1000 * volts
        netlist = build(board)
        bulk_f = netlist.part("C2").number
        (energy,) = [one.worst for one in netlist.part("R2").stress if one.what == PULSE_ENERGY]
        assert energy == pytest.approx(bulk_f * volts**2 / 2)


def test_a_fuse_of_which_no_list_knows_the_resistance_has_none_in_the_circuit() -> None:
    shipped = load_board()
    assert shipped.circuit.fuse is not None
    odd = dataclasses.replace(shipped.circuit.fuse, rating_a=Fraction(12))
    board = dataclasses.replace(shipped, circuit=dataclasses.replace(shipped.circuit, fuse=odd))
    assert build(board).part("F1").number == 0.0
