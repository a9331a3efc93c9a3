"""Board files: the shipped one as integers, and every mistake at its place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from boxcore import board as core
from nightdraw import data, places
from nightdraw.bank.sizing.board_text import text
from nightdraw.board import load_board
from nightdraw.errors import InputError
from nightdraw.link.firmware import board_json

from tests.mutated import dump
from tests.profile.made import plain, write


def test_the_shipped_board_compiles_to_what_the_box_reads() -> None:
    board = load_board()
    compiled = core.load(board_json(board.compile()))
    assert compiled.name == "bench-12v"
    assert compiled.own_ua == 11_000
    assert compiled.monitor is True
    assert len(compiled.channels_ns) == len(set(compiled.pins)) == 10
    assert (
        compiled.caps
        == board.caps
        == {
            "supply_min_mv": 9_000,
            "supply_max_mv": 16_000,
            "run_ticks": 4 * 86_400 * 10_000,
            "charge_mas": 40 * 3_600_000,
            "bank_temp_cdeg": 11_000,
        }
    )


def test_a_channels_conductance_is_ohms_law() -> None:
    for channel in load_board().channels:
        ohms = float(channel.ohms + channel.on_ohms)
        assert channel.ns == pytest.approx(1e9 / ohms, abs=0.5)
    smallest = min(load_board().channels, key=lambda channel: channel.ns)
    assert smallest.ns * 12.6 * 1e-9 < 0.003, "the smallest channel is 3 mA or less at 12.6 V"


def test_the_shipped_banks_steps_hold_every_level_within_2_ma() -> None:
    bank = load_board().bank()
    for supply_mv in (9_000, 11_800, 12_600, 14_400, 16_000):
        full = bank.full_ua(supply_mv)
        worst = max(
            abs(bank.current_ua(bank.pattern(level, supply_mv), supply_mv) - level)
            for level in range(0, full, 137)
        )
        assert worst < 2000


def board_findings(path: Path) -> list[tuple[int | None, int | None, str]]:
    """Every finding of a board that must be refused."""
    with pytest.raises(InputError) as caught:
        load_board(path)
    return [(f.line, f.column, f.message) for f in caught.value.findings]


@pytest.mark.parametrize(
    ("old", "new", "at", "said"),
    [
        ("board: bench-12v", "board: 12v", "12v", "is not a name"),
        ("nominal: 12.6 V", "nominal: 17 V", "{nominal", "min <= nominal <= max"),
        ("running: 11 mA", "running: 11 V", "11 V}", "is a voltage"),
        ("pin: 3,", "pin: 2,", "2, ohms: 4.7", "already drives channel 1"),
        ("pin: 3,", "pin: 30,", "30, ohms", "whole number of 0 .. 29"),
        ("ohms: 4.7 kohm", "ohms: 0 ohm", "0 ohm, tolerance", "must be 0.1 ohm"),
        (
            "on_ohms: 0.05 ohm, body: clad-50w",
            "on_ohm: 0.05 ohm, body: clad-50w",
            "{pin: 11",
            "lacks the key 'on_ohms'",
        ),
        ("current: monitor", "current: maybe", "maybe", "must be one of monitor, amplifier, none"),
        ("caps: {supply_min: 9 V", "caps: {supply_min: 16 V", "16 V, supply_max", "must be below"),
        ("run: 4 d", "run: 5 d", "5 d", "must be 1 ms"),
    ],
)
def test_mistakes_at_their_place(tmp_path: Path, old: str, new: str, at: str, said: str) -> None:
    shipped = data.board_path().read_text()
    assert shipped.count(old) == 1
    text = shipped.replace(old, new)
    index = text.index(new) + new.index(at) if at in new else text.index(at)
    line, column = text.count("\n", 0, index) + 1, index - text.rfind("\n", 0, index)
    assert (line, column) in [finding[:2] for finding in board_findings(write(tmp_path, text))]
    assert any(said in finding[2] for finding in board_findings(write(tmp_path, text)))


def test_a_board_of_seventeen_channels_or_none_is_refused(tmp_path: Path) -> None:
    shipped = data.board_path().read_text()
    head, rest = shipped.split("channels:")
    tail = "sense:" + rest.split("sense:")[1]
    channel = "  - {{pin: {pin}, ohms: 100 ohm, tolerance: 1 %, on_ohms: 0 ohm}}\n"
    many = "".join(channel.format(pin=pin) for pin in range(17))
    assert (
        "1 to 16 channels, not 17"
        in board_findings(write(tmp_path, head + "channels:\n" + many + tail))[0][2]
    )
    assert "1 to 16 channels, not 0" in board_findings(write(tmp_path, head + "channels: []\n" + tail))[0][2]
    sixteen = head + "channels:\n" + "".join(channel.format(pin=pin) for pin in range(16)) + tail
    assert len(load_board(write(tmp_path, sixteen)).compile().channels_ns) == 16


@pytest.mark.parametrize("name", [path.stem for path in sorted(data.folder("hardware").glob("*.yaml"))])
@pytest.mark.parametrize(
    "change",
    [
        {},
        {"sense": {"current": "amplifier", "shunt": "0.1 ohm", "gain": "20"}},
        {"sense": {"current": "none"}},
        {"controller": {"clock": "120000 kHz", "brightness": "7.5 %"}},
        {"pins": {"enable": "28", "selector": []}},
        {"bodies": [{"body": "own", "like": "film-1w", "rating": "0.7 W", "tempco": "55.5 ppm/K"}]},
        {"about": "1: 2 # 'three'", "switch": {"part": "- x", "drain": "60.005 V"}},
    ],
    ids=str,
)
def test_a_board_that_is_written_reads_as_it_was(tmp_path: Path, name: str, change: dict[str, Any]) -> None:
    document = plain(places.read(data.board(name))[0])
    for key, value in change.items():
        document[key] = document.get(key, {}) | value if key == "switch" else value
    board = load_board(write(tmp_path, dump(document)))
    again = load_board(write(tmp_path, text(board, ("a comment",)), "again.yaml"))
    assert again == board
    assert (again.own_states_ua, again.own_basis) == (board.own_states_ua, board.own_basis)
