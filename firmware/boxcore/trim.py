"""The trim: what a reference meter says of channels and supply, in place of the board file's figures.

It holds and keeps true values, refuses absurd ones, and believes a file only when it is whole and speaks of
this bank. Everything that predicts a current uses them; nothing here plays or reads a sensor.
"""

import binascii
import struct

from boxcore import files
from boxcore.bank import MAX_NS, NS_PER_UA_AT_MV
from boxcore.states import BoxError

NAME = "trim"
HEAD = b"NDtr\x01"  # and format
LAYOUT = "<BxxIi%dI"  # channels, CRC-32 of the bank, supply, conductances
MAX_OFF_PERCENT = 20  # resistor, switch and meter together stay well inside: beyond, something else was read
MAX_SUPPLY_PPM = 50_000  # 5 %: two divider resistors of 1 % and a reference of 2 %, with slack
MILLION = 1_000_000

DAMAGED, FOREIGN = 1, 2  # why a file was not believed
LOST = {DAMAGED: "it is damaged", FOREIGN: "it is of another bank"}


def corrected_mv(supply_mv, supply_ppm):
    """A supply reading with its trim, rounded."""
    return (supply_mv * (MILLION + supply_ppm) + MILLION // 2) // MILLION


def bank_crc(nominal_ns):
    """What tells one bank from another: a CRC-32 over the board file's conductances."""
    return binascii.crc32(struct.pack("<%dI" % len(nominal_ns), *nominal_ns))


def save(store, nominal_ns, true_ns, supply_ppm):
    """Replace the file whole, a conductance of 0 standing for the board file's own; raises BoxError -250."""
    channels = len(nominal_ns)
    body = struct.pack(LAYOUT % channels, channels, bank_crc(nominal_ns), supply_ppm, *true_ns)
    files.save(store, NAME, HEAD, body)


class Trim:
    """The trim of a bank in a store. nominal_ns: the board file's conductances; supply_ppm: what the supply
    reading is off, parts in a million to be added; lost: 0, or why the file was not believed."""

    def __init__(self, store, nominal_ns):
        self.nominal_ns = tuple(nominal_ns)
        self.supply_ppm = 0
        self.lost = 0
        self._true_ns = [0] * len(self.nominal_ns)
        self._store = store

    def open(self):
        """Load at power-up; True where there is a file that is not believed."""
        body = files.load(self._store, NAME, HEAD)
        if body is not None:
            self.lost = self._unpack(body)
        return self.lost != 0

    def _unpack(self, body):
        layout = LAYOUT % (body[0] if body else 0)
        if len(body) != struct.calcsize(layout):
            return DAMAGED
        channels, crc, supply_ppm, *true_ns = struct.unpack(layout, body)
        if crc != bank_crc(self.nominal_ns) or channels != len(self.nominal_ns):
            return FOREIGN
        if not self._fits(true_ns) or abs(supply_ppm) > MAX_SUPPLY_PPM:
            return DAMAGED
        self._true_ns, self.supply_ppm = true_ns, supply_ppm
        return 0

    def _fits(self, true_ns):
        return sum([true or nominal for true, nominal in zip(true_ns, self.nominal_ns)]) <= MAX_NS

    @property
    def channels_ns(self):
        """Every channel's conductance as far as it is known."""
        return tuple([true or nominal for true, nominal in zip(self._true_ns, self.nominal_ns)])

    def figures_ns(self, channel):
        """A channel's (from 1) conductance by the board file, and by its trim, 0 without one; raises BoxError
        -222."""
        self.check(channel)
        return self.nominal_ns[channel - 1], self._true_ns[channel - 1]

    def check(self, channel):
        """Raise BoxError -222 for a channel (from 1) that the bank doesn't have."""
        if not 1 <= channel <= len(self.nominal_ns):
            raise BoxError(-222, "channels are 1 to %d" % len(self.nominal_ns))

    def apply(self, bank, hal):
        """Have a bank predict every current by it, and a shell read its supply by it."""
        if self.channels_ns != bank.channels_ns:
            bank.use(self.channels_ns)
        hal.trim_supply(self.supply_ppm)

    def _keep(self, true_ns, supply_ppm):
        """Believe it once it is written down."""
        save(self._store, self.nominal_ns, true_ns, supply_ppm)
        self._true_ns, self.supply_ppm = true_ns, supply_ppm
        self.lost = 0

    def take(self, channel, current_ua, supply_mv):
        """Keep what a channel draws at a supply (above 0), by a reference meter; returns its nanosiemens.

        Raises BoxError -222, -340 for a reading that no tolerance explains, -250; nothing changed then."""
        self.check(channel)
        nominal_ns = self.nominal_ns[channel - 1]
        true_ns = (2 * current_ua * NS_PER_UA_AT_MV + supply_mv) // (2 * supply_mv)
        off = abs(true_ns - nominal_ns)
        if off * 100 > nominal_ns * MAX_OFF_PERCENT:
            word = "high" if true_ns > nominal_ns else "low"
            percent = off * 100 // nominal_ns
            raise BoxError(-340, "%d %% %s: check channel, range, lead, resistor" % (percent, word))
        changed = self._with(channel, true_ns)
        if true_ns < 1 or not self._fits(changed):
            raise BoxError(-222, "no bank draws that")
        self._keep(changed, self.supply_ppm)
        return true_ns

    def _with(self, channel, true_ns):
        return self._true_ns[: channel - 1] + [true_ns] + self._true_ns[channel:]

    def take_supply(self, true_mv, read_mv):
        """Keep that the box read `read_mv`, trimmed as it was, while the supply was `true_mv`; returns
        supply_ppm. Raises BoxError -340 for a reading that no tolerance explains, -250."""
        if read_mv < 1:
            raise BoxError(-340, "the box reads no supply")
        ppm = (2 * true_mv * (MILLION + self.supply_ppm) + read_mv) // (2 * read_mv) - MILLION
        if abs(ppm) > MAX_SUPPLY_PPM:
            raise BoxError(-340, "%d %% off: check meter and terminals" % (abs(ppm) * 100 // MILLION))
        self._keep(self._true_ns, ppm)
        return ppm

    def clear(self, channel=None):
        """Believe the board file again: of a channel (from 1), or of all and of the supply; raises BoxError
        -222, -250."""
        if channel is None:
            self._keep([0] * len(self.nominal_ns), 0)
        else:
            self.check(channel)
            self._keep(self._with(channel, 0), self.supply_ppm)
