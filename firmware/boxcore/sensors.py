"""Reads what the board has: supply, bank and processor temperature, bank current. Failing sensors never
raise.

It is given converter channels and a bus and knows none of the board's pins; units are adc's, verdicts
guard's.
"""

from boxcore import adc, port, trim

# Bits of `faults`: what can't be read at present.
NO_MONITOR, NO_THERMISTOR, NO_PROCESSOR_TEMP = 1, 2, 4
MONITOR_REST = 200  # readings between two tries to find a monitor that doesn't answer: 10 s at 50 ms


class Sensors:
    """Converter channels have read_u16(). supply: its channel, full_mv what a full count stands for;
    processor: the chip's own temperature. Others are added by the calls below; without them their readings
    say so."""

    def __init__(self, supply, full_mv, processor):
        self.faults = 0
        self._supply = supply
        self._full_mv = self._board_full_mv = full_mv
        self._processor = processor
        self._thermistor = self._table = None
        self._shunt = None
        self._full_ua = 0
        self._bus = None
        self._address = self._step = self._rest = 0
        self._pair = bytearray(2)

    def trim_supply(self, supply_ppm):
        """Read the supply this much higher, parts in a million."""
        self._full_mv = min(trim.corrected_mv(self._board_full_mv, supply_ppm), adc.MAX_FULL_MV)

    def add_thermistor(self, channel, table):
        """A thermistor on a bank resistor, see adc.thermistor_cdeg."""
        self._thermistor = channel
        self._table = table

    def add_shunt(self, channel, full_ua):
        """Bank current by an amplified shunt on a converter channel."""
        self._shunt = channel
        self._full_ua = full_ua

    def add_monitor(self, bus, address, shunt_uohm):
        """Bank current by an INA226-class monitor; `bus` has readfrom_mem_into() and writeto_mem()."""
        self._bus = bus
        self._address = address
        self._step = adc.monitor_step(shunt_uohm)
        self._find_monitor()

    def read(self, readings):
        """Fill the measured part of a port.Readings; what fails is NOT_MEASURED or, for the thermistor, whose
        loss must open the switches, adc.BROKEN_CDEG, and a bit of `faults`."""
        readings.supply_mv = adc.supply_mv(_count(self._supply), self._full_mv)
        readings.bank_ua = self.bank_ua()
        readings.bank_cdeg = self._bank_cdeg()
        readings.board_cdeg = self._processor_cdeg()

    def bank_ua(self):
        """The bank current now, microamperes, or NOT_MEASURED."""
        if self._shunt is not None:
            return adc.shunt_amplifier_ua(_count(self._shunt), self._full_ua)
        if self._bus is None:
            return port.NOT_MEASURED
        if self._rest:
            self._rest -= 1
            if self._rest or not self._find_monitor():
                return port.NOT_MEASURED
        pair = self._pair
        try:
            self._bus.readfrom_mem_into(self._address, adc.MONITOR_SHUNT, pair)
        except OSError:
            self._lose_monitor()
            return port.NOT_MEASURED
        return adc.monitor_ua(pair[0], pair[1], self._step)

    def _bank_cdeg(self):
        if self._thermistor is None:
            return port.NOT_MEASURED
        cdeg = adc.thermistor_cdeg(_count(self._thermistor), self._table)
        self._flag(NO_THERMISTOR, cdeg == adc.BROKEN_CDEG)
        return cdeg

    def _processor_cdeg(self):
        cdeg = adc.processor_cdeg(_count(self._processor))
        self._flag(NO_PROCESSOR_TEMP, cdeg is None)
        return port.NOT_MEASURED if cdeg is None else cdeg

    def _find_monitor(self):
        """True when a monitor answers and has been set; else the next try is MONITOR_REST readings away."""
        pair = self._pair
        try:
            self._bus.readfrom_mem_into(self._address, adc.MONITOR_MAKER, pair)
            if pair[0] << 8 | pair[1] == adc.MAKER_ID:
                pair[0] = adc.MONITOR_SETTING >> 8
                pair[1] = adc.MONITOR_SETTING & 0xFF
                self._bus.writeto_mem(self._address, adc.MONITOR_CONFIG, pair)
                self._rest = 0
                self._flag(NO_MONITOR, False)
                return True
        except OSError:
            pass
        self._lose_monitor()
        return False

    def _lose_monitor(self):
        self._rest = MONITOR_REST
        self._flag(NO_MONITOR, True)

    def _flag(self, bit, failing):
        self.faults = self.faults | bit if failing else self.faults & ~bit


def _count(channel):
    total = 0
    for _ in range(adc.SAMPLES):
        total += channel.read_u16()
    return adc.count(total)
