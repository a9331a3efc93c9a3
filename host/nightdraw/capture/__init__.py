"""Reading recordings, measuring pulses, and setting what was asked, did and seen side by side."""
