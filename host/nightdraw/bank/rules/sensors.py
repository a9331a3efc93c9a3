"""Can the box see what its guards need: supply divider, thermistor, shunt, and the temperature limit itself.

Each sensor is taken at the worst end of its tolerances and read with the converter's own errors.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from boxcore import sensors

from nightdraw.bank.circuit.node_voltages import PIN_LEAK_A
from nightdraw.bank.remarks import ERROR, WARNING, Remark
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.board import BoardModel
from nightdraw.board.circuit import Thermistor
from nightdraw.board.hardware import ROOM_K, full_mv

COUNTS = 4096
READ_COUNTS = (
    8.0  # offset and steps of the RP2040's converter, counts of 12 bits (datasheet: 8.7 effective bits)
)
PRECISE_PCT = 1.0  # divider and thermistor circuits take 1 % parts
SEEN_ABOVE = 1.1  # the guard must see a tenth more than its limit
MOST_ERROR = (
    0.03  # a supply reading may be off by so much for leakage or steps before the guard means nothing
)
MOST_ERROR_K = 5.0  # likewise of the bank's temperature at its limit
COLDEST_C = -20.0  # a cold start must not look like a broken wire
BETAS_K = (2500.0, 5000.0)  # thermistors that are sold (common practice)
SENSOR_C = 125.0  # what a bead or ring-terminal thermistor bears (common practice)
ABOVE_AMBIENT_K = 5.0
MONITOR_ZERO_V = 10e-6  # the monitor's largest offset (TI SBOS547, from memory)
LEAST_OF_SCALE = 0.1  # of an amplifier's full scale that the peak current must reach


def remarks(board: BoardModel, ambient_c: float) -> Iterator[Remark]:
    """Every sensor that can't serve its guard, and a temperature limit that guards nothing."""
    yield from _divider(board)
    yield from _thermistor(board)
    yield from _temperature(board, ambient_c)
    if board.monitor:
        yield from _shunt(board)


def _divider(board: BoardModel) -> Iterator[Remark]:
    pair = board.circuit.sense.divider_ohms
    if pair is None:
        message = "no supply divider is named (key `divider`): the supply guards are blind"
        yield Remark("sense", "divider-span", message, ERROR)
        return
    top, bottom = (float(ohms) for ohms in pair)
    low, high = (board.caps[key] / 1000 for key in ("supply_min_mv", "supply_max_mv"))
    off = PRECISE_PCT / 100
    reference = sensors.REFERENCE_MV / 1000
    full = reference * (1 + top * (1 - off) / (bottom * (1 + off)))
    if full < SEEN_ABOVE * high:
        message = (
            f"reads up to {full:.3g} V and clips there: a guard at supply_max {high:g} V is blind; at least "
            f"{SEEN_ABOVE * high:.3g} V are needed"
        )
        yield Remark("sense", "divider-span", message, ERROR)
    if full_mv(*pair) > sensors.MAX_FULL_MV:
        message = (
            f"reads up to {full:.3g} V, more than the {sensors.MAX_FULL_MV / 1000:g} V that the firmware "
            f"counts"
        )
        yield Remark("sense", "divider-span", message, ERROR)
    at_pin = low * bottom / (top + bottom)
    steps = READ_COUNTS / COUNTS * reference / at_pin
    leak = PIN_LEAK_A * top * bottom / (top + bottom) / at_pin
    for share, why in ((steps, "the converter's steps"), (leak, "the pin's leakage in its resistance")):
        if share > MOST_ERROR:
            message = f"{why} put a supply of {low:g} V off by {100 * share:.2g} %: at most {MOST_ERROR:.0%}"
            yield Remark("sense", "divider-span", message, ERROR)


def _share(part: Thermistor, celsius: float) -> float:
    """The divider's output over its supply."""
    ohms = float(part.ohms) * math.exp(
        float(part.beta_k) * (1 / (celsius - sensors.ZERO_CDEG / 100) - 1 / ROOM_K)
    )
    return ohms / (ohms + float(part.pull_up_ohms))


def thermistor_error_k(part: Thermistor, celsius: float) -> float:
    """How far a reading may be off at a temperature for the converter's counts and the pin's leakage, K."""
    share, kelvin = _share(part, celsius), celsius - sensors.ZERO_CDEG / 100
    slope = share * (1 - share) * float(part.beta_k) / kelvin**2
    leak = PIN_LEAK_A * share * float(part.pull_up_ohms) / (sensors.REFERENCE_MV / 1000)
    return (READ_COUNTS / COUNTS + leak) / slope


def _thermistor(board: BoardModel) -> Iterator[Remark]:
    part = board.circuit.sense.thermistor
    if part is None:
        message = "no thermistor is named (key `thermistor`): bank_temp guards nothing"
        yield Remark("sense", "thermistor-span", message, WARNING)
        return
    if not BETAS_K[0] <= part.beta_k <= BETAS_K[1]:
        message = f"a beta of {float(part.beta_k):g} K: thermistors have {BETAS_K[0]:g} to {BETAS_K[1]:g} K"
        yield Remark("sense", "thermistor-span", message, ERROR)
    limit = board.caps["bank_temp_cdeg"] / 100
    error = thermistor_error_k(part, limit)
    if error > MOST_ERROR_K:
        message = (
            f"at bank_temp {limit:g} C its reading may be off by {error:.3g} K: a pull-up near "
            f"{float(part.ohms) / 1000:g} kohm spans the range"
        )
        yield Remark("sense", "thermistor-span", message, ERROR)
    if (1 - _share(part, COLDEST_C)) * COUNTS < READ_COUNTS:
        message = f"at {COLDEST_C:g} C it can't be told from a broken wire: a larger pull-up"
        yield Remark("sense", "thermistor-span", message, ERROR)


def _temperature(board: BoardModel, ambient_c: float) -> Iterator[Remark]:
    limit = board.caps["bank_temp_cdeg"] / 100
    if limit > SENSOR_C:
        message = f"bank_temp {limit:g} C is above what the thermistor itself bears, {SENSOR_C:g} C"
        yield Remark("caps", "guard-temperature", message, ERROR)
    elif limit < ambient_c + ABOVE_AMBIENT_K:
        message = f"bank_temp {limit:g} C would trip a cold box in a room of {ambient_c:g} C"
        yield Remark("caps", "guard-temperature", message, ERROR)


def _shunt(board: BoardModel) -> Iterator[Remark]:
    sense = board.circuit.sense
    if sense.shunt_ohms is None:
        message = "no shunt is named (key `shunt`): the current can't be worked out from its reading"
        yield Remark("sense", "shunt-range", message, ERROR)
        return
    shunt, peak = float(sense.shunt_ohms), peak_a(board)
    if sense.gain is not None:
        reached = peak * shunt * sense.gain / (sensors.REFERENCE_MV / 1000)
        if reached < LEAST_OF_SCALE:
            message = (
                f"{peak:.3g} A reach {100 * reached:.2g} % of its full scale: a larger shunt or more gain"
            )
            yield Remark("sense", "shunt-range", message, ERROR)
        return
    low = board.caps["supply_min_mv"] / 1000
    least = low / max(float(channel.ohms + channel.on_ohms) for channel in board.channels)
    zero = MONITOR_ZERO_V / shunt
    if zero > least:
        message = (
            f"with {shunt:g} ohm the monitor's own offset is {1000 * zero:.3g} mA, the smallest channel "
            "draws "
            f"{1000 * least:.3g} mA: it can't tell whether that is on"
        )
        yield Remark("sense", "shunt-range", message, ERROR)
