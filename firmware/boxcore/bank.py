"""From a wanted current and a measured supply to a switch pattern, and back.

A channel is a conductance in nanosiemens (resistor, switch and wiring together; true values after a trim).
The tables are made once, when a board is loaded or trimmed; choosing a pattern only searches them, and makes
no number of 2^30 or more, which the board would have to allocate, while the bank stays below 1 S: 13 A at
12.6 V.
"""

from array import array

MAX_CHANNELS = 16  # the edge player's word has 16 pattern bits
TABLE_CHANNELS = 7  # 128 sums in 1 KB; for ten channels searched eight times, where 1024 would take 6 KB
MAX_NS = 0xFFFFFFFF  # 4.3 siemens, 54 A at 12.6 V: the tables hold 32 bits
NONE_NS = MAX_NS * MAX_NS  # further off than any wanted level
NS_PER_UA_AT_MV = 1_000_000  # nS = uA / mV * 10^6
K = 1000  # the same in two steps, so that products stay small
PLACES = 61  # a prime: levels that are multiples of each other seldom meet


def current_ua(ns, supply_mv):
    """ns * supply_mv / 10^6, rounded down: the current of a conductance."""
    below = ns % NS_PER_UA_AT_MV
    part = below // K * supply_mv + below % K * supply_mv // K
    return ns // NS_PER_UA_AT_MV * supply_mv + part // K


def conductance_ns(ua, supply_mv):
    """ua * 10^6 / supply_mv, rounded down: the conductance of a current."""
    rest = ua % supply_mv * K
    return (ua // supply_mv * K + rest // supply_mv) * K + rest % supply_mv * K // supply_mv


class Bank:
    """A bank of up to MAX_CHANNELS channels, each 1 nS or more; bit 0 of a pattern is channel 1.

    The smallest TABLE_CHANNELS channels are tabulated; where a board has more, each combination of the others
    shifts the table. gap_ns: no two neighbouring conductances of the bank lie further apart.
    """

    def __init__(self, channels_ns):
        self.use(channels_ns)

    def use(self, channels_ns):
        """Make the tables for these conductances, nanosiemens; raises ValueError and changes nothing."""
        if not 1 <= len(channels_ns) <= MAX_CHANNELS:
            raise ValueError("a bank has 1 to %d channels" % MAX_CHANNELS)
        if min(channels_ns) < 1:
            raise ValueError("a channel's conductance must be 1 nS or more")
        if sum(channels_ns) > MAX_NS:
            raise ValueError("all channels together must stay below %d nS" % (MAX_NS + 1))
        self.channels_ns = tuple(channels_ns)
        self.full_ns = sum(channels_ns)
        # by number where equal: the board's sort is not stable, CPython's is
        channels = sorted([(channels_ns[k], 1 << k) for k in range(len(channels_ns))])
        table = _combined(channels[:TABLE_CHANNELS])
        self._sums_ns = array("I", [total for total, _ in table])
        self._patterns = array("H", [pattern for _, pattern in table])
        self._shifts = _combined(channels[TABLE_CHANNELS:])
        gap, last_ns = 0, 0
        for total, _ in table:
            gap, last_ns = max(gap, total - last_ns), total
        reach = 0
        for shift, _ in self._shifts:
            gap, reach = max(gap, shift - reach), shift + last_ns
        self.gap_ns = gap

    def conductance_ns(self, pattern):
        """The conductance of a pattern, nanosiemens."""
        total = 0
        for k in range(len(self.channels_ns)):
            if pattern >> k & 1:
                total += self.channels_ns[k]
        return total

    def current_ua(self, pattern, supply_mv):
        """The current of a pattern at a supply, microamperes."""
        return current_ua(self.conductance_ns(pattern), supply_mv)

    def full_ua(self, supply_mv):
        """The most the bank can draw at a supply, microamperes."""
        return current_ua(self.full_ns, supply_mv)

    def gap_ua(self, supply_mv):
        """The widest step between neighbouring patterns at a supply, microamperes, rounded up."""
        return self.gap_ns * supply_mv // NS_PER_UA_AT_MV + 1

    def pattern(self, level_ua, supply_mv):
        """The pattern whose current is nearest to `level_ua` at `supply_mv` (above 0); of two the lower."""
        wanted = conductance_ns(level_ua, supply_mv)
        top = self._sums_ns[len(self._sums_ns) - 1]
        best = NONE_NS
        best_ns = found = 0
        for shift, bits in self._shifts:
            rest = wanted - shift
            if rest - top > best or -rest > best:
                continue  # even the nearest end of the table shifted there is no better
            at = self._nearest(rest)
            total = shift + self._sums_ns[at]
            off = total - wanted if total > wanted else wanted - total
            if off < best or (off == best and total < best_ns):
                best = off
                best_ns = total
                found = bits | self._patterns[at]
        return found

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
        return low


def _combined(channels):
    """(conductance, pattern) of every combination of some channels, ascending. Merged, for the board's sort
    takes longest, 50 ms, for what is in order already."""
    pairs = [(0, 0)]
    for channel_ns, bit in channels:
        more = [(total + channel_ns, pattern | bit) for total, pattern in pairs]
        merged = []
        for pair in pairs:
            while more[0] < pair:
                merged.append(more.pop(0))
            merged.append(pair)
        pairs = merged + more
    return pairs


class Picks:
    """The patterns that were picked at one supply: a level which comes again isn't searched for again.

    pattern, ns: of the level that find() or keep() was given last; ns is its conductance. A place for each
    remainder of a level; what comes to a place that is taken takes it over. Nothing is allocated later."""

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
