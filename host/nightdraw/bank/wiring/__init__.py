"""Copper and fuse: resistance, drop and warmth of the conductors, and the fuse that protects them."""
