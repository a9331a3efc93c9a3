"""Runs the board's main.py as a power-up does: a test's firmware prints who it is. Under MicroPython."""

import sys

import flash

flash.mount()
sys.path.insert(0, "")
import main  # noqa: E402, F401
