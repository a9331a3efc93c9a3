"""What a run does for each of its edges takes its calls' frames from the stack, not from the heap.

MicroPython lays a call's locals and stack on the C stack up to VM_MAX_STATE_ON_STACK, 11 words; a larger
frame comes from the heap at every call (py/objfun.c). Behind a collection each of those looks through all
small holes first, 0.4 ms a frame on the emulated board where it takes 0.03 ms otherwise.
"""

from __future__ import annotations

from pathlib import Path

from nightdraw.board import load_board
from nightdraw.link.firmware import build

from tests.micropython import frames

MOST_WORDS = 11
EACH_EDGE = {
    "player": {"Player._edge", "Player._pick"},
    "edgeplayer": {"EdgePlayer.push", "EdgePlayer._stands"},
    "bank": {"Picks.keep", "Bank.conductance_ns", "current_ua"},
    "schedule": {"Schedule.take", "Schedule._settle", "Pulse.advance", "Random.advance", "Xorshift32.share"}
    | {"_carry", "Replay.advance", "Replay._load", "_number_at"},
    "journal": {"Journal._number", "check_word"},
}
ONE_FOR_EACH = {"journal": {"Journal.add"}}  # what takes a record's six fields has no room for them


def compiled() -> dict[str, bytes]:
    """{module: its bytes} as a box gets them."""
    files = build(load_board(None))
    return {Path(file.name).stem: file.data for file in files if file.name.endswith(".mpy")}


def test_an_edge_takes_one_frame_from_the_heap() -> None:
    modules = compiled()
    for module, functions in EACH_EDGE.items():
        found = frames.words(modules[module])
        large = {name: found[name] for name in functions if found[name] > MOST_WORDS}
        assert not large, f"{module}: words a call: {large}"
    for module, functions in ONE_FOR_EACH.items():
        assert all(frames.words(modules[module])[name] > MOST_WORDS for name in functions)
