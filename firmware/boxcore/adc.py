"""From converter counts to millivolts, hundredths of a degree and microamperes, in whole numbers.

Nothing here reads a converter. Every product stays below 2^30, the board's small integers, so that sensing
allocates nothing. Counts are of 14 bits: SAMPLES readings of 16 bits added up and shifted by SUM_SHIFT.
"""

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
MONITOR_SETTING = 0x4325
LSB_NV = 2_500
LSB_PARTS = 16  # currents of one count are kept in sixteenths of a microampere
MIN_SHUNT_UOHM = 1_000  # keeps a full-scale reading below 2^30 sixteenths
SIGN_BIT = 0x8000


def count(total):
    """The 14-bit count of SAMPLES 16-bit readings added up."""
    return total >> SUM_SHIFT


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
