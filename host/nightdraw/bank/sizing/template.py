"""The circuit around a sized bank: the shipped board's for such a supply, its fuse and wires fitted.

Whether fuse, wires and protection are right is for the wiring and the electrical check to say.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import cache

from nightdraw import data
from nightdraw.board import BoardModel, Circuit, load_board
from nightdraw.board.circuit import Fuse, Pins, Wire

FIRST_PIN = 2  # GPIO 0 and 1 are the power monitor's
SHIPPED_PINS = 10  # GPIO 2 to 11 on the shipped wiring, the gate buffer's enable behind them
SELECTOR_PIN = 16  # the slot selector's first
SPARE_PIN = 28  # an analogue input that only boards without a power monitor need
FUSE_LOAD = Fraction(3, 4)  # a fuse carries three quarters of its rating for ever: common practice
RATINGS_A = tuple(
    Fraction(rating) for rating in ("1", "2", "3", "4", "5", "7.5", "10", "15", "20", "25", "30")
)
AREAS_MM2 = tuple(Fraction(area) for area in ("0.5", "0.75", "1", "1.5", "2.5", "4", "6"))
A_PER_MM2 = 8  # fuse amperes on a square millimetre of short vehicle cable: common practice


@cache
def shipped_for(highest_v: Fraction) -> BoardModel | None:
    """The shipped board whose supply reaches that high with the least to spare; None where none does."""
    boards = [load_board(path) for path in sorted(data.folder(data.HARDWARE).glob("*.yaml"))]
    high_mv = highest_v * 1000
    fitting = [
        board for board in boards if board.supply_max_mv >= high_mv and board.circuit.gates is not None
    ]
    return min(fitting, key=lambda board: (board.supply_max_mv, board.name), default=None)


def circuit_for(highest_v: Fraction, current_a: float, channels: int) -> Circuit:
    """The circuit for a bank of so many channels that draws `current_a` with everything on.

    Without a shipped board for such a supply only the pins are settled.
    """
    board = shipped_for(highest_v)
    circuit = Circuit() if board is None else board.circuit
    circuit = replace(circuit, pins=pins_for(channels))
    if circuit.fuse is None:
        return circuit
    rating = next((each for each in RATINGS_A if each * FUSE_LOAD >= current_a), RATINGS_A[-1])
    return replace(
        circuit,
        fuse=Fuse(circuit.fuse.type, rating),
        lead=_wire(circuit.lead, rating),
        inside=_wire(circuit.inside, rating),
    )


def pins_for(channels: int) -> Pins:
    """The other pins, moved out of the channels' way: channels need consecutive ones."""
    beyond = FIRST_PIN + channels
    if channels <= SHIPPED_PINS:
        return Pins()
    if beyond <= SELECTOR_PIN:
        return Pins(enable=SPARE_PIN)
    return Pins(enable=SPARE_PIN, selector=())


def _wire(wire: Wire | None, rating_a: Fraction) -> Wire | None:
    """The wire, thick enough for the fuse."""
    if wire is None:
        return None
    enough = [area for area in AREAS_MM2 if area >= wire.area_mm2 and area * A_PER_MM2 >= rating_a]
    return replace(wire, area_mm2=enough[0] if enough else AREAS_MM2[-1])
