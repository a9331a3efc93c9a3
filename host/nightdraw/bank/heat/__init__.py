"""How hot parts, air and wall get, in the steady state and over a profile, against their limits."""
