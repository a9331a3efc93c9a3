"""Conversions against datasheets, and sensors that fail."""

from __future__ import annotations

from typing import Any

import pytest
from boxcore import guard, port, sensors
from boxcore import program as pg
from boxcore.board import HARDWARE
from boxcore.sensors import MONITOR_REST, NO_MONITOR, NO_PROCESSOR_TEMP, NO_THERMISTOR, Sensors
from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.run_board import Monitor

SMALL_INT = 1 << 30  # the board's small integers end there
counts = st.integers(0, sensors.FULL_COUNT)


class Channel:
    """A converter channel that reads the same 16-bit count until told otherwise."""

    def __init__(self, count: int) -> None:
        self.count = count

    def read_u16(self) -> int:
        return self.count


class Bus:
    """An I2C bus with at most one device; `dead` fails as a stuck bus does."""

    def __init__(self, monitor: Any = None) -> None:
        self.monitor = monitor
        self.dead = monitor is None
        self.calls = 0

    def readfrom_mem_into(self, address: int, register: int, buffer: bytearray) -> None:
        self._ask(address)
        buffer[:] = self.monitor.read(register)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self._ask(address)
        self.monitor.write(register, bytes(data))

    def _ask(self, address: int) -> None:
        self.calls += 1
        if self.dead or address != self.monitor.address:
            raise OSError(5)


def made(
    supply: int = 32_700,
    processor: int = 14_000,
    thermistor: tuple[Channel | None, tuple[int, ...]] = (None, ()),
    shunt: tuple[Channel | None, int] = (None, 0),
    monitor: tuple[Bus | None, int] = (None, 1),
) -> Sensors:
    """Sensors with what is fitted besides supply and processor: a channel and its table, a channel and what a
    full count stands for, a bus and the shunt's microohms."""
    hardware = {
        **HARDWARE,
        "thermistor": thermistor[1],
        "shunt_full_ua": shunt[1],
        "monitor_shunt_uohm": monitor[1],
    }
    channels = {
        hardware["supply_pin"]: Channel(supply),
        hardware["thermistor_pin"]: thermistor[0],
        hardware["shunt_pin"]: shunt[0],
    }
    has_monitor = monitor[0] is not None
    return Sensors(hardware, has_monitor, channels.get, Channel(processor), lambda hardware: monitor[0])


@pytest.mark.parametrize(
    ("count_12", "celsius"),
    [
        (891, 20.1),  # RP2040 datasheet 4.9.5, its example: 891 at 3.3 V is 20.1 C
        (876, 27.1),  # 0.706 V, 27 C, by its formula: 0.706 / 3.3 * 4096 = 876.3
    ],
)
def test_processor_temperature_is_the_datasheets(count_12: int, celsius: float) -> None:
    u16 = count_12 << 4 | count_12 >> 8  # how the board widens 12 bits to 16
    cdeg = sensors.processor_cdeg(sensors.count(Channel(u16)))
    assert cdeg is not None
    assert cdeg / 100 == pytest.approx(celsius, abs=0.25)


@given(counts)
def test_processor_temperature_follows_the_formula_or_says_nothing(raw: int) -> None:
    celsius = 27 - (raw / sensors.FULL_COUNT * 3.3 - 0.706) / 0.001721
    cdeg = sensors.processor_cdeg(raw)
    if cdeg is None:
        assert not -39.9 < celsius < 149.9
    else:
        assert cdeg / 100 == pytest.approx(celsius, abs=0.2)


def test_monitor_current_is_the_datasheets_example() -> None:
    # TI SBOS547 (INA226), programming example: 10 A through 2 mohm is 20 mV, shunt register 8000
    assert sensors.monitor_ua(8000 >> 8, 8000 & 0xFF, sensors.monitor_step(2_000)) == 10_000_000


def test_monitor_setting_keeps_the_datasheets_bits() -> None:
    # SBOS547, configuration register: power-on 4127h is 1 average, 1.1 ms, shunt and bus continuously (mode
    # 111)
    power_on = 0x4127
    averages_4, shunt_only = 0b001 << 9, 0b101
    setting = int.from_bytes(sensors.MONITOR_SETTING, "big")
    assert power_on & ~(0b111 << 9) & ~0b111 | averages_4 | shunt_only == setting


@given(st.integers(-32_768, 32_767), st.integers(1_000, 1_000_000))
def test_monitor_current_is_ohms_law(count: int, shunt_uohm: int) -> None:
    ua = sensors.monitor_ua(count >> 8 & 0xFF, count & 0xFF, sensors.monitor_step(shunt_uohm))
    exact = max(0, count) * 2.5e-6 / (shunt_uohm * 1e-6) * 1e6
    assert ua == pytest.approx(exact, rel=0.03, abs=2.5)
    assert max(0, count) * sensors.monitor_step(shunt_uohm) < 1 << 34


@given(counts, st.integers(1, sensors.MAX_FULL_MV))
def test_supply_is_in_proportion(raw: int, full_mv: int) -> None:
    assert sensors.supply_mv(raw, full_mv) == pytest.approx(raw / sensors.FULL_COUNT * full_mv, abs=0.51)


@given(counts, st.integers(0, 4_000_000))
def test_amplified_shunt_is_in_proportion(raw: int, full_ua: int) -> None:
    assert sensors.shunt_amplifier_ua(raw, full_ua) == pytest.approx(
        raw / sensors.FULL_COUNT * full_ua, abs=129
    )


def test_no_product_leaves_the_boards_small_integers() -> None:
    assert sensors.SAMPLES * 0xFFFF < SMALL_INT
    assert sensors.count(Channel(0xFFFF)) == sensors.FULL_COUNT
    assert sensors.FULL_COUNT * sensors.MAX_FULL_MV + sensors.FULL_COUNT < SMALL_INT
    assert sensors.FULL_COUNT * sensors.REFERENCE_MV * 4 < SMALL_INT
    assert (sensors.REFERENCE_MV * 4) * 25_000 < SMALL_INT
    assert sensors.FULL_COUNT * (4_000_000 >> sensors.AMPERE_SHIFT) < SMALL_INT
    assert 0x7FFF * sensors.monitor_step(2_000) < SMALL_INT


tables = st.tuples(
    st.integers(20_000, 28_000),
    st.integers(100, 1_000),
    st.lists(st.integers(1, sensors.FULL_COUNT - 1), min_size=2, max_size=60, unique=True),
).map(lambda parts: (parts[0], parts[1], *sorted(parts[2], reverse=True)))


@given(tables, counts)
def test_thermistor_is_read_off_straight_lines_and_breaks_beyond_the_ends(
    table: tuple[int, ...], raw: int
) -> None:
    points = table[2:]
    cdeg = sensors.thermistor_cdeg(raw, table)
    if not points[-1] <= raw <= points[0]:
        assert cdeg == sensors.BROKEN_CDEG
        return
    above = max(k for k, point in enumerate(points) if point >= raw)
    below = min(above + 1, len(points) - 1)
    share = (points[above] - raw) / (points[above] - points[below]) if above != below else 0
    assert cdeg == pytest.approx(table[0] - 27_315 + (above + share) * table[1], abs=1.01)


def test_a_broken_thermistor_is_what_the_guard_calls_a_bad_sensor() -> None:
    assert sensors.BROKEN_CDEG < guard.SENSOR_LOW_CDEG


def test_what_is_not_fitted_is_not_measured() -> None:
    readings = port.Readings()
    here = made()
    here.read(readings)
    assert readings.supply_mv == pytest.approx(32_700 / 65_535 * 25_300, abs=2)
    assert (readings.bank_ua, readings.bank_cdeg) == (port.NOT_MEASURED, port.NOT_MEASURED)
    assert here.faults == 0


@pytest.mark.parametrize("count", [0, 65_535])
def test_open_and_shorted_thermistors_open_the_switches(count: int) -> None:
    channel = Channel(count)
    here = made(thermistor=(channel, (23_315, 500, *range(16_000, 400, -400))))
    readings = port.Readings()
    here.read(readings)
    caps = {"supply_max_mv": 20_000, "run_ticks": 1, "charge_mas": 1, "bank_temp_cdeg": 9_000}
    limits = guard.Limits({"supply_min_mv": 0, **caps}, pg.Program("any", ()))
    assert guard.Guard(limits).check(0, readings) == guard.st.SENSOR_BAD
    assert here.faults == NO_THERMISTOR
    channel.count = 32_000
    here.read(readings)
    assert here.faults == 0
    assert guard.Guard(limits).check(0, readings) == guard.st.NO_FAULT


@pytest.mark.parametrize("count", [0, 32_768, 65_535])
def test_a_processor_sensor_beyond_all_sense_is_not_measured(count: int) -> None:
    here = made(processor=count)
    readings = port.Readings()
    here.read(readings)
    assert (readings.board_cdeg, here.faults) == (port.NOT_MEASURED, NO_PROCESSOR_TEMP)


def test_a_monitor_that_is_missing_costs_a_try_now_and_then_and_is_found_again() -> None:
    bus = Bus(Monitor(0x40, 8_000))
    bus.dead = True
    here = made(monitor=(bus, 2_000))
    assert (here.bank_ua(), here.faults) == (port.NOT_MEASURED, NO_MONITOR)
    before = bus.calls
    for _ in range(MONITOR_REST * 3):
        assert here.bank_ua() == port.NOT_MEASURED
    assert bus.calls - before <= 4
    bus.dead = False
    for _ in range(MONITOR_REST + 1):
        ua = here.bank_ua()
    assert (ua, here.faults) == (10_000_000, 0)
    assert bus.monitor.registers[sensors.MONITOR_CONFIG] == sensors.MONITOR_SETTING


def test_a_monitor_that_is_lost_while_measuring_raises_nothing() -> None:
    bus = Bus(Monitor(0x40, 8_000))
    here = made(monitor=(bus, 2_000))
    assert here.bank_ua() == 10_000_000
    bus.dead = True
    assert (here.bank_ua(), here.faults) == (port.NOT_MEASURED, NO_MONITOR)


def test_another_maker_s_chip_at_the_address_is_no_monitor(monkeypatch: pytest.MonkeyPatch) -> None:
    bus = Bus(Monitor(0x40, 8_000))
    monkeypatch.setattr(bus.monitor, "read", lambda register: b"\x12\x34")
    here = made(monitor=(bus, 2_000))
    assert (here.bank_ua(), here.faults) == (port.NOT_MEASURED, NO_MONITOR)


def test_an_amplified_shunt_stands_in_for_a_monitor() -> None:
    here = made(shunt=(Channel(32_768), 2_000_000))
    assert here.bank_ua() == pytest.approx(1_000_000, rel=0.001)
