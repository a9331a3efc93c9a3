"""The sum of all draws as one stream of levels, from a seed and a run number.

Levels are what the circuit sees: the box's own consumption is part of the steady level, or is the level
where no draw is steady. Time is relative throughout, so nothing wraps.
"""

from boxcore import draws


class Schedule:
    """The run of one program; `level_ua` holds for the next `left_ticks` ticks at least.

    program: a program.Program; run: 1, 2, ... counts arms; own_ua: the box's own consumption, microamperes.
    """

    def __init__(self, program, run, own_ua):
        self._streams = [
            draws.stream(draw, index, program.seed, run) for index, draw in enumerate(program.draws)
        ]
        self._base_ua = 0 if program.has_steady() else own_ua
        self._settle()

    def _settle(self, most=draws.NEVER_TICKS):
        level = self._base_ua
        span = draws.NEVER_TICKS
        for stream in self._streams:
            while stream.left_ticks <= 0:
                if not most:
                    return
                most -= 1
                stream.advance()
            level += stream.level_ua
            if stream.left_ticks < span:
                span = stream.left_ticks
        self.level_ua = level
        self.left_ticks = self._span = span

    def take(self, ticks):
        """Let up to `ticks` ticks (1 or more) of the present level pass; returns how many did.

        It stops where a draw changes, so afterwards `level_ua` is the level from that instant on.
        """
        if ticks < self.left_ticks:
            self.left_ticks -= ticks
            return ticks
        ticks = self.left_ticks
        for stream in self._streams:
            stream.left_ticks -= self._span
        self._settle()
        return ticks

    def skip(self, ticks, most=draws.NEVER_TICKS):
        """Let `ticks` ticks pass unseen, and at most so many segments of all draws together; True once it
        stands behind them. Until then it must be called again, with what has passed since (0 too), and
        nothing else may be."""
        if ticks:
            passed = self._span - self.left_ticks + ticks
            for stream in self._streams:
                stream.left_ticks -= passed
            self.left_ticks = self._span = 0
        if not self.left_ticks:
            self._settle(most)
        return self.left_ticks > 0
