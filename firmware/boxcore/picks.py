"""The patterns that were picked at one supply, so that a level which comes again isn't searched for again.

A place for each remainder of a level; what comes to a place that is taken takes it over. Nothing here is
allocated after the beginning, and nothing decides when the supply has moved too far.
"""

from array import array

PLACES = 61  # a prime: levels that are multiples of each other seldom meet


class Picks:
    """pattern, ns: of the level that find() or keep() was given last; ns is its conductance."""

    def __init__(self):
        self._levels = array("I", [0] * PLACES)  # each one more than the level: 0 is a free place
        self._patterns = array("H", [0] * PLACES)
        self._ns = array("I", [0] * PLACES)
        self.pattern = self.ns = 0

    def clear(self):
        """Forget every level."""
        for place in range(PLACES):
            self._levels[place] = 0

    def find(self, level_ua):
        """True where a level is known."""
        place = level_ua % PLACES
        self.pattern = self._patterns[place]
        self.ns = self._ns[place]
        return self._levels[place] == level_ua + 1

    def keep(self, level_ua, pattern, ns):
        """Know a level from now on."""
        place = level_ua % PLACES
        self._levels[place] = level_ua + 1
        self._patterns[place] = self.pattern = pattern
        self._ns[place] = self.ns = ns
