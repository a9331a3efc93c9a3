"""From a wanted current and a measured supply to a switch pattern, and back.

A channel is a conductance in nanosiemens (resistor, switch and wiring together; true values after a trim).
The tables are made once, when a board is loaded or trimmed; choosing a pattern only searches them.
"""

from array import array

MAX_CHANNELS = 16  # the edge player's word has 16 pattern bits
TABLE_CHANNELS = 10  # 2^10 patterns: 6 KB of tables, what the board's memory affords
NS_PER_UA_AT_MV = 1_000_000  # nS = uA / mV * 10^6


class Bank:
    """A bank of up to MAX_CHANNELS channels, each 1 nS or more; bit 0 of a pattern is channel 1.

    Up to TABLE_CHANNELS channels are searched exactly. Where a board has more, the largest ones beyond the
    table are set greedily first: at most one step of the table away from the best.
    """

    def __init__(self, channels_ns):
        if not 1 <= len(channels_ns) <= MAX_CHANNELS:
            raise ValueError("a bank has 1 to %d channels" % MAX_CHANNELS)
        if min(channels_ns) < 1:
            raise ValueError("a channel's conductance must be 1 nS or more")
        self.channels_ns = tuple(channels_ns)
        self.full_ns = sum(channels_ns)
        # The number breaks ties between equal channels: MicroPython's sort keeps no order of its own.
        order = [k for _, k in sorted((channel, k) for k, channel in enumerate(channels_ns))]
        self._coarse = [(channels_ns[k], 1 << k) for k in reversed(order[TABLE_CHANNELS:])]
        self._sums_ns, self._patterns = self._table(order[:TABLE_CHANNELS])

    def _table(self, order):
        pairs = [(0, 0)]
        for k in order:
            pairs += [(total + self.channels_ns[k], pattern | 1 << k) for total, pattern in pairs]
        pairs.sort()
        return array("I", [pair[0] for pair in pairs]), array("H", [pair[1] for pair in pairs])

    def conductance_ns(self, pattern):
        """The conductance of a pattern, nanosiemens."""
        total = 0
        for k, channel in enumerate(self.channels_ns):
            if pattern >> k & 1:
                total += channel
        return total

    def current_ua(self, pattern, supply_mv):
        """The current of a pattern at a supply, microamperes."""
        return self.conductance_ns(pattern) * supply_mv // NS_PER_UA_AT_MV

    def full_ua(self, supply_mv):
        """The most the bank can draw at a supply, microamperes."""
        return self.full_ns * supply_mv // NS_PER_UA_AT_MV

    def pattern(self, level_ua, supply_mv):
        """The pattern whose current is nearest to `level_ua` at `supply_mv` (above 0); ties go low."""
        wanted = level_ua * NS_PER_UA_AT_MV // supply_mv
        pattern = 0
        floor = self._sums_ns[len(self._sums_ns) - 1]
        for channel, bit in self._coarse:
            if wanted >= channel and wanted > floor:
                wanted -= channel
                pattern |= bit
        return pattern | self._nearest(wanted)

    def _nearest(self, wanted):
        sums = self._sums_ns
        low = 0
        high = len(sums) - 1
        while low < high:
            middle = (low + high) // 2
            if sums[middle] < wanted:
                low = middle + 1
            else:
                high = middle
        if low and wanted - sums[low - 1] <= sums[low] - wanted:
            low -= 1
        return self._patterns[low]
