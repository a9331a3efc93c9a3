"""From board files, faults and a seed to the two sides of a bench: what the box believes, what it really is.

Files are read here and nowhere else in the bench. Nothing runs here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from boxcore.board import Board

from nightdraw import units
from nightdraw.bench.plant import Plant, draw_resistors, parse_faults
from nightdraw.bench.world import World
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import InputError

DEFAULT_SEED = 0  # of a bench that no profile gives a seed


@dataclass(frozen=True)
class Bench:
    """The box's own board and the plant around it, ready for a World."""

    board: Board
    plant: Plant

    def world(self) -> World:
        """Power it up."""
        return World(self.board, self.plant)


def build(
    board_path: str | Path | None = None,
    plant_path: str | Path | None = None,
    faults: Iterable[str] = (),
    seed: int = DEFAULT_SEED,
) -> Bench:
    """A bench from files (None: the shipped board); raises InputError.

    Without a plant file the resistors are drawn within their tolerances from the seed and the box is trimmed
    to them: it knows each channel's true conductance. With one, the plant has exactly that file's ohms and
    the box believes its own board file, untrimmed.
    """
    board = load_board(board_path)
    real = board if plant_path is None else load_board(plant_path)
    if len(real.channels) != len(board.channels):
        counts = f"{len(real.channels)} channels, the board {len(board.channels)}"
        raise InputError(f"the plant has {counts}: they must be the same bank")
    believed = board.compile()
    true_ns = real.compile().channels_ns
    if plant_path is None:
        true_ns = believed.channels_ns = tuple(_drawn_ns(board, seed))
    plant = Plant(
        true_ns, real.own_ua, real.monitor, parse_faults(faults, len(true_ns)), voc_mv=real.supply_nominal_mv
    )
    return Bench(believed, plant)


def _drawn_ns(board: BoardModel, seed: int) -> list[int]:
    ohms = [float(channel.ohms) for channel in board.channels]
    tolerances = [float(channel.tolerance_pct) / 100 for channel in board.channels]
    drawn = draw_resistors(ohms, tolerances, seed)
    return [
        units.to_ns(Fraction(real) + channel.on_ohms)
        for real, channel in zip(drawn, board.channels, strict=True)
    ]
