"""The circuit of a board: its netlist, stage by stage, its steady voltages, its SPICE deck."""
