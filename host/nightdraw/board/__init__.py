"""The board file: what a box is made of, read from YAML, compiled to the integers that the box knows.

Read by profile, bank, link and bench; it says what the hardware is and decides nothing about profiles, heat
or wiring.
"""

from nightdraw.board.circuit import Circuit
from nightdraw.board.model import BoardModel, Channel, Enclosure, GateRow, OwnPackage, Switch
from nightdraw.board.read import load_board

__all__ = ["BoardModel", "Channel", "Circuit", "Enclosure", "GateRow", "OwnPackage", "Switch", "load_board"]
