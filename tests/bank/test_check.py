"""`bank check`: shipped boards pass; every planted fault is refused by the name of its rule."""

from __future__ import annotations

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


SHEET = "specified: [{gate: 4 V, ohms: 0.039 ohm}, {gate: 5 V, ohms: 0.028 ohm}]"
PLANTS = {
    # a quarter-watt resistor where more than five watts burn: 16 V into 43 ohm are 6 W
    "quarter watt": (
        [("body: clad-25w, mounting: plate", "body: film-0.25w")], "resistor-power", "channel 9"
    ),
    "ten volts only": ([(SHEET, "specified: [{gate: 10 V, ohms: 0.022 ohm}]")], "gate-drive", "switch"),
    "no pull-down": ([("  pull_down: 100 kohm\n", "")], "gate-pull-down", "Q1"),
    "no gates": ([(section("gates", "# A load dump"), "")], "gate-pull-down", "gates"),
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
    "weak gate": ([("gate_max: 10 V", "gate_max: 5 V")], "gate-volts", "switch"),
    "no reverse protection": (
        [(section("reverse", "converter:"), "")], "reverse-protection", "reverse protection"
    ),
    "weak reverse protection": ([("volts: 60 V", "volts: 30 V")], "reverse-volts", "reverse protection"),
    "no gate clamp": ([("  gate_clamp: 12 V\n", "")], "reverse-gate", "reverse protection"),
    "no clamp": ([(section("clamp", "reverse:"), "")], "load-dump-clamp", "clamp"),
    "early clamp": ([("standoff: 36.8 V", "standoff: 24 V")], "clamp-standoff", "clamp"),
    "late clamp": ([("clamps: 59.3 V", "clamps: 80 V")], "switch-volts", "switch"),
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
