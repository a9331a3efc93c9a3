"""The board as a KiCad project, written as text: parts' shapes, placement, routing, pours, schematic, board.

KiCad itself is only the judge, in the tests; nothing in here needs it.
"""
