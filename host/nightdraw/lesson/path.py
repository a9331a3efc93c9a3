"""The path that a student took on a live vehicle: what was done and when, counted from its zero.

Moves come from the page's log, as an answer's file carries them: each has `t_s`, `do` and its words.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

PULL, LEADS, INPUTS, ANSWER = "pull", "leads", "inputs", "answer"
WAKING = ("door", "car", "engine", PULL, "back")  # what wakes modules, or may
MOST_MOVES = 10_000

Move = Mapping[str, Any]


@dataclass(frozen=True)
class Path:
    """How many moves; seconds to the first one at the right fuse and to the answer (None: never); fuses
    pulled, each once; how often something was done that may wake the vehicle."""

    moves: int
    at_fuse_s: float | None
    answered_s: float | None
    pulled: tuple[str, ...]
    waking: int

    def document(self) -> dict[str, Any]:
        """For JSON."""
        return {**vars(self), "pulled": list(self.pulled)}


def read(moves: object) -> tuple[Move, ...] | None:
    """Moves out of a file; None where they are none."""
    if not isinstance(moves, list) or len(moves) > MOST_MOVES or not all(_is_move(one) for one in moves):
        return None
    return tuple({**one, "t_s": float(one["t_s"])} for one in moves)


def _is_move(one: object) -> bool:
    if not isinstance(one, dict) or not isinstance(one.get("do"), str):
        return False
    try:
        return math.isfinite(float(one.get("t_s", "")))  # answers read numbers as text
    except (TypeError, ValueError):
        return False


def path(moves: Sequence[Move], fuse: str) -> Path:
    """What the moves come to, where `fuse` is the right one."""
    at = next((float(one["t_s"]) for one in moves if fuse in places(one)), None)
    answered = [float(one["t_s"]) for one in moves if one["do"] == ANSWER]
    pulled = dict.fromkeys(str(one.get("fuse")) for one in moves if one["do"] == PULL)
    waking = sum(one["do"] in WAKING for one in moves)
    return Path(len(moves), at, answered[-1] if answered else None, tuple(pulled), waking)


def places(one: Move) -> Iterator[str]:
    """The fuses that a move measures or pulls."""
    if one["do"] in (PULL, LEADS) and isinstance(one.get("fuse"), str):
        yield one["fuse"]
    inputs = one.get("inputs")
    if one["do"] == INPUTS and isinstance(inputs, list):
        yield from (row["at"] for row in inputs if isinstance(row, dict) and isinstance(row.get("at"), str))
