"""A board model as the text of a board file, such as load_board reads: every field of the board's table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from nightdraw.board import BoardModel
from nightdraw.board.circuitkeys import AMPLIFIER, MONITOR, NO_SENSE
from nightdraw.board.table import board as board_keys
from nightdraw.fields import as_yaml


def text(board: BoardModel, comment: Sequence[str] = ()) -> str:
    """The YAML text, its first lines the comment's; what is the table's default is left out."""
    head = "".join(f"# {line}\n" for line in comment)
    return head + as_yaml(board_keys().written(_values(board)))


def _values(board: BoardModel) -> dict[str, Any]:
    """The board's values by the names of its table's fields."""
    sense = board.circuit.sense
    current = NO_SENSE if not board.monitor else AMPLIFIER if sense.gain else MONITOR
    states = board.own_states_ua | ({"basis": board.own_basis} if board.own_basis else {})
    return {
        **vars(board),
        **vars(board.circuit),
        "board": board.name,
        "supply": vars(board),
        "own": vars(board),
        "own_states": states or None,
        "sense": {"current": current, **vars(sense)},
        "packages": tuple({"name": one.name, "like": one.like, **one.given} for one in board.packages),
    }
