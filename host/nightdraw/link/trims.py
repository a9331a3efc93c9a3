"""What a program asks of a box's trim: a meter's readings in, what the box believes of its bank out.

Nothing here asks a person; readings are exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from nightdraw.link import queries as ask
from nightdraw.link.line import Line

NS_PER_S = 1_000_000_000


@dataclass(frozen=True)
class TrimmedChannel:
    """A channel (from 1) as the box believes it: nanosiemens by its board file, and by its trim."""

    channel: int
    nominal_ns: int
    true_ns: int
    trimmed: bool

    @property
    def ohms(self) -> float:
        """What it believes, resistor and switch together."""
        return NS_PER_S / self.true_ns

    @property
    def off_pct(self) -> float:
        """How much more current it draws than the board file says, percent."""
        return 100 * (self.true_ns / self.nominal_ns - 1)


class Trims(Line):
    """The trim's part of a box's client."""

    def channel_count(self) -> int:
        """How many channels the bank has."""
        # never alone: a bank of three would answer what looks like a exchange checksum
        return len(self._get_all(ask.BOARD, ask.OWN_A, ask.CHANNELS)[2])

    def channel(self, channel: int) -> TrimmedChannel:
        """One channel; raises RefusedError for one that the bank doesn't have."""
        nominal, true = self._get(ask.CHANNEL, channel)
        return TrimmedChannel(channel, nominal, true or nominal, true != 0)

    def channels(self) -> list[TrimmedChannel]:
        """Every channel."""
        return [self.channel(number) for number in range(1, self.channel_count() + 1)]

    def trim(self, channel: int, current_a: Fraction, supply_v: Fraction) -> TrimmedChannel:
        """Tell the box what a channel draws at a supply; returns it as the box believes it from now on.

        Raises RefusedError for a reading that no tolerance explains, and while anything is armed or plays.
        """
        self._session.ask(f":CAL:READ {channel},{_micro(current_a)} UA,{_milli(supply_v)} MV")
        return self.channel(channel)

    def close_channel(self, channel: int, seconds: int) -> None:
        """Close one channel alone, for a meter; it opens by itself after `seconds` (1 .. 300)."""
        self._session.ask(f":CAL:CLOS {channel},{seconds}")

    def trim_supply(self, supply_v: Fraction) -> int:
        """Tell the box what its supply is now; returns what it adds to its readings, parts in a million.

        Raises RefusedError for a reading that no tolerance explains.
        """
        self._session.ask(f":CAL:SUPP {_milli(supply_v)} MV")
        return self.supply_ppm()

    def supply_ppm(self) -> int:
        """What the box adds to its supply readings, parts in a million."""
        return self._get(ask.SUPPLY_PPM)

    def clear_trim(self, channel: int | None = None) -> None:
        """Have the box believe its board file again: of one channel, or of everything."""
        self._session.ask(":CAL:CLE" if channel is None else f":CAL:CLE {channel}")


def _micro(amperes: Fraction) -> int:
    return round(amperes * 1_000_000)


def _milli(volts: Fraction) -> int:
    return round(volts * 1_000)
