"""`bank check`: shipped boards pass; every planted fault is refused by the name of its rule."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from nightdraw import data
from nightdraw.bank.rules import gates
from nightdraw.bank.rules.check import RULES, check
from nightdraw.board import load_board
from nightdraw.cli.bank import group
from nightdraw.errors import InputError

from tests.bank.planted import FAULTS, Edits, edited, load, write

SHIPPED = sorted(data.folder("hardware").glob("*.yaml"))
TEXT = data.board_path().read_text()


def section(name: str, following: str) -> str:
    """A section of the shipped board's text, up to what follows."""
    return TEXT[TEXT.index(f"\n{name}:") + 1 : TEXT.index(following)]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_boards_break_no_rule(path: Path) -> None:
    checked = check(load_board(path))
    assert checked.ok, [remark for remark in checked.remarks if remark.severity == "error"]
    assert {remark.rule for remark in checked.remarks} <= set(RULES)


SHEET = "specified: [{gate: 4 V, ohms: 0.063 ohm}, {gate: 5 V, ohms: 0.053 ohm}]"
PLANTS = {
    # a quarter-watt resistor where more than five watts burn: 16 V into 43 ohm are 6 W
    "quarter watt": (
        [("body: clad-25w, mounting: plate", "body: film-0.25w")], "resistor-power", "channel 9"
    ),
    # and the 35 V of a suppressed load dump (ISO 16750-2, from memory) into 43 ohm are 28 W
    "quarter watt, dumped on": (
        [("body: clad-25w, mounting: plate", "body: film-0.25w")], "dump-overload", "channel 9"
    ),
    "ten volts only": ([(SHEET, "specified: [{gate: 10 V, ohms: 0.022 ohm}]")], "gate-drive", "switch"),
    "no pull-down": ([("  pull_down: 100 kohm\n", "")], "gate-pull-down", "Q1"),
    "no gates": ([(section("gates", "# A load dump"), "")], "gates-missing", "gates"),
    "big fuse": (
        [("rating: 2 A", "rating: 30 A"), ("lead: {area: 0.75 mm2", "lead: {area: 0.5 mm2")],
        "fuse-above-conductor",
        "fuse",
    ),
    "one pin twice": ([("{pin: 3,", "{pin: 2,")], "pin-shared", "channel 2"),
    "enable's pin": ([("{pin: 11,", "{pin: 12,")], "pin-shared", "gate buffer's enable"),
    "a gap": ([("{pin: 11,", "{pin: 13,")], "pins-edge-player", "channels"),
    "the wrong way": ([("{pin: 2,", "{pin: 99,"), ("{pin: 3,", "{pin: 2,"), ("{pin: 99,", "{pin: 3,")],
                      "pins-edge-player", "channels"),
    "no such pin": ([("{pin: 11,", "{pin: 30,")], "pin-unreachable", "channel 10"),
    "not brought out": ([("indicator: 22", "indicator: 25")], "pin-unreachable", "indicator"),
    "no lock-out": ([("  lockout: 4.5 V\n", "")], "gate-lockout", "gates"),
    "no pull-up": ([("  enable_pull_up: 10 kohm\n", "")], "enable-pull-up", "gates"),
    "no pull-down of the enable": ([("  enable_pull_down: 15 kohm\n", "")], "enable-pin", "gates"),
    "weak gate": ([("gate_max: 10 V", "gate_max: 5 V")], "gate-volts", "switch"),
    "no reverse protection": (
        [(section("reverse", "converter:"), "")], "reverse-protection", "reverse protection"
    ),
    "weak reverse protection": ([("volts: 100 V", "volts: 30 V")], "reverse-volts", "reverse protection"),
    "no gate clamp": ([("  gate_clamp: 12 V\n", "")], "reverse-gate", "reverse protection"),
    "no clamp": ([(section("clamp", "reverse:"), "")], "load-dump-clamp", "clamp"),
    "early clamp": ([("standoff: 36.8 V", "standoff: 24 V")], "clamp-standoff", "clamp"),
    "late clamp": ([("clamps: 59.3 V", "clamps: 95 V")], "switch-volts", "switch"),
    "weak converter": ([("input_max: 60 V", "input_max: 28 V")], "converter-input", "converter"),
    "no converter": ([(section("converter", "pins:"), "")], "board-missing", "converter"),
    "no switch": ([(section("switch", "gates:"), "")], "switch-missing", "switch"),
    "no resistor package": ([(", body: film-2w", "")], "resistor-body", "channels"),
    "small box": (
        [("length: 275 mm, width: 175 mm", "length: 90 mm, width: 60 mm")], "heat", "wall, handled"
    ),
    "no room": ([("length: 275 mm, width: 175 mm", "length: 200 mm, width: 175 mm")], "room", "enclosure"),
    "large shunt": ([("shunt: 0.05 ohm", "shunt: 0.2 ohm")], "rating", "RS1"),
}  # fmt: skip


def planted(tmp_path: Path, name: str) -> Path:
    """The shipped board with one fault."""
    text = TEXT
    for old, new in PLANTS[name][0]:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "planted.yaml"
    path.write_text(text)
    return path


@pytest.mark.parametrize("name", PLANTS)
def test_every_planted_fault_is_refused_by_name(tmp_path: Path, name: str) -> None:
    result = CliRunner().invoke(group, ["check", str(planted(tmp_path, name)), "--json"])
    document = json.loads(result.stdout)
    _, rule, part = PLANTS[name]
    assert result.exit_code == 1, result.stdout
    assert document["ok"] is False
    assert all(set(finding) == {"part", "rule", "message", "severity"} for finding in document["findings"])
    errors = {(f["part"], f["rule"]) for f in document["findings"] if f["severity"] == "error"}
    assert (part, rule) in errors
    assert {f["rule"] for f in document["findings"]} <= set(RULES)


# rules that only tell: what changes on a shipped board, and whether the rule speaks then
TOLD: dict[str, tuple[Edits, str, bool]] = {
    "usb-feed": ({"gates.part": "octal buffer 74HCT541, DIP-20"}, "bench-12v", False),
    "fuse-larger": ({"fuse.rating": "7.5 A"}, "bench-12v", False),
    "fuse-volts": ({}, "workshop-24v", True),
    "load-dump-unsuppressed": ({}, "starter-12v", True),
}
# what only a netlist of the tests' own can break, and what stands in the wiring's tests
IN_NETLIST = {"net-single-pin", "pin-two-nets", "pin-open", "pin-unknown", "supply-capacitor"}
IN_WIRING = {"fuse-rating", "fuse-below-load", "inside-missing"}


@pytest.mark.parametrize("rule", TOLD)
def test_what_is_no_fault_is_told(tmp_path: Path, rule: str) -> None:
    edits, name, as_it_ships = TOLD[rule]
    shipped = data.folder("hardware") / f"{name}.yaml"
    for path, speaks in (
        (shipped, as_it_ships),
        (write(edited(load(shipped), edits), tmp_path / "b.yaml"), True),
    ):
        told = [remark for remark in check(load_board(path)).remarks if remark.rule == rule]
        assert bool(told) == speaks
        assert all(remark.severity != "error" for remark in told)


def test_no_rule_is_without_a_board_that_it_speaks_about() -> None:
    planted = {rule for _, rule, _ in PLANTS.values()} | {fault.rules[0] for fault in FAULTS}
    assert set(RULES) == planted | set(TOLD) | IN_NETLIST | IN_WIRING | {"half-driven-gate"}


def test_the_text_names_part_and_rule_too(tmp_path: Path) -> None:
    result = CliRunner().invoke(group, ["check", str(planted(tmp_path, "ten volts only"))])
    assert result.exit_code == 1
    assert "error: switch: gate-drive: " in result.stdout


def test_a_file_that_is_no_board_is_misuse(tmp_path: Path) -> None:
    path = tmp_path / "no.yaml"
    path.write_text(TEXT.replace("ohms: 22 ohm", "ohms: 22"))
    result = CliRunner().invoke(group, ["check", str(path), "--json"])
    assert isinstance(result.exception, InputError), "which the program shows with status 2"


def test_a_half_driven_gate_is_told_even_where_the_lock_out_prevents_it() -> None:
    notes = [remark for remark in check(load_board()).remarks if remark.rule == "half-driven-gate"]
    assert len(notes) == 1
    assert notes[0].severity == "note"


def test_a_half_driven_switch_takes_the_most_at_half_the_supply() -> None:
    """Maximum power transfer, by trying every share of the supply."""
    volts, ohms = 16.0, 6.2
    tried = max((volts - across) / ohms * across for across in (volts * k / 1000 for k in range(1001)))
    assert gates.half_driven_w(volts, ohms) == pytest.approx(tried, rel=1e-6)


def test_the_shunts_amplifier_has_its_pin_alone() -> None:
    shipped = load_board()
    sense = dataclasses.replace(shipped.circuit.sense, gain=20)
    board = dataclasses.replace(shipped, circuit=dataclasses.replace(shipped.circuit, sense=sense))
    assert [remark for remark in gates.pins(board) if remark.rule == "pin-shared"] == []
    first = dataclasses.replace(board.channels[0], pin=gates.SHUNT_PIN)
    shared = dataclasses.replace(board, channels=(first, *board.channels[1:]))
    (remark,) = [remark for remark in gates.pins(shared) if remark.rule == "pin-shared"]
    assert (remark.part, remark.severity) == ("shunt amplifier", "error")
    assert "already serves channel 1" in remark.message
