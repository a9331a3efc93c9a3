"""Reads what the board has: supply, bank and processor temperature, bank current; from converter counts to
millivolts, hundredths of a degree and microamperes. Failing sensors never raise.

It is given ways to get converter channels and a bus and touches none of the chip; verdicts are guard's. Every
product stays below 2^30, the board's small integers, so that sensing allocates nothing. Counts are of 14
bits: SAMPLES readings of 16 bits added up and shifted by SUM_SHIFT.
"""

from boxcore import port, trim

# Bits of Sensors.faults.
NO_MONITOR, NO_THERMISTOR, NO_PROCESSOR_TEMP = 1, 2, 4
MONITOR_REST = 200  # readings between two tries to find a monitor that doesn't answer: 10 s at 50 ms

SAMPLES = 16  # averaged a reading: 1 ms in all on the board, four times less noise than one sample
SUM_SHIFT = 6  # 16 readings of 16 bits make 20 bits; 14 are kept
FULL_COUNT = (1 << 14) - 1
MAX_FULL_MV = 0xFFFF  # what a 14-bit count times it leaves below 2^30
AMPERE_SHIFT = 6  # currents are scaled in steps of 64 uA for the same reason

ZERO_CDEG = -27_315  # absolute zero
BROKEN_CDEG = ZERO_CDEG  # a thermistor open or shorted; guard.py takes it for a bad sensor
COLDEST_CDEG = -4_000  # the processor works from -40 C
HOTTEST_CDEG = 15_000  # to 85 C, and is dead long before 150 C: beyond, it is the sensor that errs
REFERENCE_MV = 3_300  # the processor's converter is supplied by its own 3.3 V

# INA226-class power monitor (register map and units: TI SBOS547, sections "Register Maps").
MONITOR_CONFIG = 0x00
MONITOR_SHUNT = 0x01  # signed, 2.5 uV a count
MONITOR_MAKER = 0xFE
MAKER_ID = 0x5449
# Bits 14..12 as found, 4 averages, 1.1 ms conversions, shunt voltage only, continuously: a reading is 4.4 ms
# old.
MONITOR_SETTING = b"\x43\x25"
LSB_NV = 2_500
LSB_PARTS = 16  # currents of one count are kept in sixteenths of a microampere
SIGN_BIT = 0x8000


def supply_mv(raw, full_mv):
    """Millivolts at the terminals; `full_mv` (at most MAX_FULL_MV) is what a full count stands for: reference
    times divider ratio, trimmed."""
    return (raw * full_mv + FULL_COUNT // 2) // FULL_COUNT


def shunt_amplifier_ua(raw, full_ua):
    """Microamperes of a shunt read by the converter; a full count stands for `full_ua`."""
    return (raw * (full_ua >> AMPERE_SHIFT) // FULL_COUNT) << AMPERE_SHIFT


def processor_cdeg(raw):
    """The RP2040's own temperature: 27 C at 0.706 V, 1.721 mV less a degree (datasheet 4.9.5), or None where
    the value lies outside what a working processor can have. In quarters of a millivolt: 2824, 6.884 a
    degree."""
    quarters = raw * (REFERENCE_MV * 4) // FULL_COUNT
    cdeg = 2_700 - (quarters - 2_824) * 25_000 // 1_721
    return cdeg if COLDEST_CDEG <= cdeg <= HOTTEST_CDEG else None


def thermistor_cdeg(raw, table):
    """The temperature of a thermistor to ground with a pull-up. `table` is (first, step, count, count, ...):
    the first count's temperature in hundredths of a kelvin, steps in hundredths of a degree, counts falling
    as it gets hotter. Straight lines between; BROKEN_CDEG beyond either end."""
    low = 2
    high = len(table) - 1
    if not table[high] <= raw <= table[low]:
        return BROKEN_CDEG
    while high - low > 1:
        middle = (low + high) // 2
        if table[middle] >= raw:
            low = middle
        else:
            high = middle
    cdeg = ZERO_CDEG + table[0] + (low - 2) * table[1]
    cdeg += (table[low] - raw) * table[1] // (table[low] - table[high])
    return 0 if cdeg == -1 else cdeg  # -1 means "not measured"


def monitor_step(shunt_uohm):
    """The current of one count of the monitor's shunt register, in sixteenths of a microampere."""
    return LSB_PARTS * LSB_NV * 1_000 // shunt_uohm


def monitor_ua(high, low, step):
    """Microamperes of the shunt register's two bytes; a current below 0 is the offset, and 0."""
    raw = high << 8 | low
    return 0 if raw & SIGN_BIT else raw * step // LSB_PARTS


class Sensors:
    """What a board has, by its `hardware` (see board.HARDWARE) and whether it has a `monitor`; what isn't
    fitted reads as NOT_MEASURED. channel(pin): a converter channel, which has read_u16(); processor: that of
    the chip's own temperature; bus(hardware): the bus of an INA226-class power monitor, which has
    readfrom_mem_into() and writeto_mem(). An amplified shunt takes the monitor's place."""

    def __init__(self, hardware, monitor, channel, processor, bus):
        self._faults = 0
        self._supply = channel(hardware["supply_pin"])
        self._full_mv = self._board_full_mv = hardware["supply_full_mv"]
        self._processor = processor
        self._table = hardware["thermistor"]
        self._thermistor = channel(hardware["thermistor_pin"]) if self._table else None
        self._full_ua = hardware["shunt_full_ua"]
        self._shunt = channel(hardware["shunt_pin"]) if self._full_ua else None
        self._bus = bus(hardware) if monitor and not self._full_ua else None
        self._address = hardware["monitor_address"]
        self._step = monitor_step(hardware["monitor_shunt_uohm"])
        self._rest = 0
        self._pair = bytearray(2)
        if self._bus is not None:
            self._find_monitor()

    def trim_supply(self, supply_ppm):
        """Read the supply this much higher than the board file makes it, parts in a million."""
        self._full_mv = min(trim.corrected_mv(self._board_full_mv, supply_ppm), MAX_FULL_MV)

    def read(self, readings):
        """Fill the measured part of a port.Readings; what fails is NOT_MEASURED or, for the thermistor, whose
        loss must open the switches, BROKEN_CDEG, and a bit of `faults`."""
        readings.supply_mv = supply_mv(count(self._supply), self._full_mv)
        readings.bank_ua = self.bank_ua()
        readings.bank_cdeg = self._bank_cdeg()
        readings.board_cdeg = self._processor_cdeg()

    def bank_ua(self):
        """The bank current now, microamperes, or NOT_MEASURED."""
        if self._shunt is not None:
            return shunt_amplifier_ua(count(self._shunt), self._full_ua)
        if self._bus is None:
            return port.NOT_MEASURED
        if self._rest:
            self._rest -= 1
            if self._rest or not self._find_monitor():
                return port.NOT_MEASURED
        pair = self._pair
        try:
            self._bus.readfrom_mem_into(self._address, MONITOR_SHUNT, pair)
        except OSError:
            self._rest = MONITOR_REST
            return port.NOT_MEASURED
        return monitor_ua(pair[0], pair[1], self._step)

    def _bank_cdeg(self):
        if self._thermistor is None:
            return port.NOT_MEASURED
        cdeg = thermistor_cdeg(count(self._thermistor), self._table)
        self._flag(NO_THERMISTOR, cdeg == BROKEN_CDEG)
        return cdeg

    def _processor_cdeg(self):
        cdeg = processor_cdeg(count(self._processor))
        self._flag(NO_PROCESSOR_TEMP, cdeg is None)
        return port.NOT_MEASURED if cdeg is None else cdeg

    def _find_monitor(self):
        """True when a monitor answers and has been set; else the next try is MONITOR_REST readings away."""
        pair = self._pair
        try:
            self._bus.readfrom_mem_into(self._address, MONITOR_MAKER, pair)
            found = pair[0] << 8 | pair[1] == MAKER_ID
            if found:
                self._bus.writeto_mem(self._address, MONITOR_CONFIG, MONITOR_SETTING)
        except OSError:
            found = False
        self._rest = 0 if found else MONITOR_REST
        return found

    @property
    def faults(self):
        """What can't be read at present."""
        return self._faults | (NO_MONITOR if self._rest else 0)

    def _flag(self, bit, failing):
        self._faults = self._faults | bit if failing else self._faults & ~bit


def count(channel):
    """The 14-bit count of SAMPLES 16-bit readings added up."""
    total = 0
    for _ in range(SAMPLES):
        total += channel.read_u16()
    return total >> SUM_SHIFT
