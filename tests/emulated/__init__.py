"""The firmware as a box gets it, with stock MicroPython on an emulated RP2040: memory, edges, power cuts."""
