"""Instruments as they really are: what meter, clamp and recorder make of the truth. No box, no vehicle."""
