"""The bench: a simulated world in virtual time around the box's real code.

The store, the plant, the hardware shell, the world, the recorder, and the two ways to use them: record and
serve. Nothing here decides what the box does; boxcore alone does that.
"""
