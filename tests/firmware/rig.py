"""A shell on a fake board, set up for a test, and what the edge player must have done on it."""

from __future__ import annotations

from typing import Any

from boxcore import board as boards
from boxcore import edgeplayer
from fake_board import modules

CAPS = {
    "supply_min_mv": 9_000,
    "supply_max_mv": 16_000,
    "run_ticks": 400_000_000,
    "charge_mas": 100_000_000,
    "bank_temp_cdeg": 11_000,
}
CHANNELS_NS = [
    109_000,
    212_000,
    416_000,
    833_000,
    1_612_000,
    3_030_000,
    6_250_000,
    12_195_000,
    23_255_000,
    45_454_000,
]
ENABLE_PIN, FIRST_PIN = 12, 2
NS_A_TICK = 100_000
FIRST_EDGE_NS = edgeplayer.FIRST_EDGE_CYCLES * NS_A_TICK // edgeplayer.CYCLES_A_TICK


def board(monitor: bool = False, pins: Any = None, **hardware: Any) -> boards.Board:
    """The fake board's board.json: ten channels on GPIO 2 to 11."""
    pins = pins or list(range(FIRST_PIN, FIRST_PIN + len(CHANNELS_NS)))
    return boards.Board("fake", CHANNELS_NS[: len(pins)], pins, 11_000, monitor, CAPS, hardware)


def shell(chip: Any, model: boards.Board | None = None) -> Any:
    """A Rp2Hal on the chip."""
    from boxcore import hal_rp2, port

    hal_rp2.sys = modules.Module()
    hal_rp2.sys.stdin = hal_rp2.sys.stdout = modules.Stream(chip)
    return hal_rp2.Rp2Hal(model or board(), port.Buffers().ring)


def timeline(words: list[tuple[int, int]], start_ns: int, end_ns: int | None = None) -> list[tuple[int, int]]:
    """The pin changes (ns, pattern) of words that play from start_ns until they end, or all opens at
    end_ns."""
    edges = []
    at, last = start_ns, 0
    for pattern, ticks in [*words, (0, 0)]:
        if end_ns is not None and at >= end_ns:
            break
        if pattern != last:
            edges.append((at, pattern))
        at, last = at + ticks * NS_A_TICK, pattern
    if end_ns is not None and last:
        edges.append((end_ns, 0))
    return edges


def played(chip: Any, since: int = 0) -> list[tuple[int, int]]:
    """The pin changes from the `since`th on, as (ns, pattern)."""
    return [(ns, pins >> FIRST_PIN) for ns, pins in chip.changes()[since:]]


def begun_ns(chip: Any) -> int:
    """When the state machine's present start's first edge fell."""
    return chip.machines[0]._zero_ns + FIRST_EDGE_NS
