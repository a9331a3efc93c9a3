"""Lessons: a class file, a plan that gives every group a fault, the boxes loaded and read back, marks.

Nothing here prints; the command line does.
"""
