"""What a fake board does before its prompt: nothing but to find its files. Runs under MicroPython."""

import sys

import flash

sys.path.insert(0, "")
flash.mount()
