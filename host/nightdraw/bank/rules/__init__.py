"""`bank check`: the rules that a board file and its netlist must hold."""
