"""Drain profiles: YAML with units to a checked model, the model to a program, and what the program will do.

`load` is the door; everything else works on the Profile that it returns. Nothing here talks to a box,
simulates one, or prints.
"""

from nightdraw.profile.model import Profile
from nightdraw.profile.read import compile_profile, load

__all__ = ["Profile", "compile_profile", "load"]
