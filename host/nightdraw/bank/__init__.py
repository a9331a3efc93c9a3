"""The load bank's engineering: which resistors, in which packages, with what error, and how hot it all gets.

Pure arithmetic over the board file's model: nothing here talks to a box, and nothing here prints. A folder
imports only folders that come before it in this list (tests/tidy.py enforces it): parts (data), mechanics
(outlines), heat, wiring, circuit (netlist), rules (`bank check`) and sizing, drawings. The single modules are
for all of them.
"""
