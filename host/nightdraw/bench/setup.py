"""From board files, faults and a seed to the two sides of a bench: what the box believes, what it really is.

Files are read here and nowhere else in the bench. Nothing runs here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from boxcore import trim
from boxcore.board import Board

from nightdraw import units
from nightdraw.bench.plant import Plant, draw_resistors, parse_faults
from nightdraw.bench.store import MemoryStore
from nightdraw.bench.world import World
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import InputError

DEFAULT_SEED = 0  # of a bench that no profile gives a seed


@dataclass(frozen=True)
class Bench:
    """The box's own board and the plant around it, ready for a World.

    trim_ns: what a reference meter once said of each channel, which the box keeps in its flash; () untrimmed.
    """

    board: Board
    plant: Plant
    trim_ns: tuple[int, ...] = ()

    def world(self) -> World:
        """Power it up."""
        return World(self.board, self.plant, self.store())

    def store(self) -> MemoryStore:
        """The box's flash as it is before the first power-up: empty but for its trim."""
        store = MemoryStore()
        if self.trim_ns:
            trim.save(store, self.board.channels_ns, self.trim_ns, 0)
        return store


def build(
    board_path: str | Path | None = None,
    plant_path: str | Path | None = None,
    faults: Iterable[str] = (),
    seed: int = DEFAULT_SEED,
) -> Bench:
    """A bench from files (None: the shipped board); raises InputError.

    Without a plant file the resistors are drawn within their tolerances from the seed and the box is trimmed
    to them, as by a meter without error. With one, the plant has exactly that file's ohms and the box
    believes its own board file, untrimmed.
    """
    board = load_board(board_path)
    real = board if plant_path is None else load_board(plant_path)
    if len(real.channels) != len(board.channels):
        counts = f"{len(real.channels)} channels, the board {len(board.channels)}"
        raise InputError(f"the plant has {counts}: they must be the same bank")
    believed = board.compile()
    drawn_ns = tuple(_drawn_ns(board, seed)) if plant_path is None else ()
    true_ns = drawn_ns or real.compile().channels_ns
    plant = Plant(
        true_ns, real.own_ua, real.monitor, parse_faults(faults, len(true_ns)), voc_mv=real.supply_nominal_mv
    )
    return Bench(believed, plant, drawn_ns)


def _drawn_ns(board: BoardModel, seed: int) -> list[int]:
    ohms = [float(channel.ohms) for channel in board.channels]
    tolerances = [float(channel.tolerance_pct) / 100 for channel in board.channels]
    drawn = draw_resistors(ohms, tolerances, seed)
    return [
        units.to_ns(Fraction(real) + channel.on_ohms)
        for real, channel in zip(drawn, board.channels, strict=True)
    ]
