"""The load bank's engineering: which resistors, in which bodies, with what error, and how hot it all gets.

Pure arithmetic over the board file's model: nothing here talks to a box, and nothing here prints.
"""
