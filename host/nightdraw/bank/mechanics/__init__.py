"""Outlines and solids: where things stand in the enclosure, and the cap for a fuse's test points."""
