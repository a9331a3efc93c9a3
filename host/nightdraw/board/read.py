"""Reading a board file: every key checked, every mistake at its place, all of them in one go.

The electrical core is read here; resistors, MOSFET and enclosure are read by parts.
"""

from __future__ import annotations

from pathlib import Path

from boxcore import bank, program
from boxcore import wiring as core

from nightdraw import data, places, units
from nightdraw.board import parts, wired
from nightdraw.board.model import BoardModel, Channel
from nightdraw.fields import Fields, items
from nightdraw.places import Findings, Node

ELECTRICAL = ("board", "about", "supply", "own", "channels", "sense", "caps")
KEYS = (*ELECTRICAL, "own_states", "switch", "enclosure", "bodies", *wired.SECTIONS)
REQUIRED = ("board", "supply", "own", "channels", "sense", "caps")
CHANNEL_REQUIRED = ("pin", "ohms", "tolerance", "on_ohms")
CHANNEL_KEYS = (*CHANNEL_REQUIRED, "body", "mounting", "each", "in_series", "in_parallel")
SUPPLY_KEYS = ("nominal", "min", "max")
OWN_STATES = ("idle", "writing", "usb")  # what the box may be doing beside running
OWN_STATES_KEYS = (*OWN_STATES, "basis")
CAPS_KEYS = ("supply_min", "supply_max", "run", "charge", "bank_temp")
SUPPLY_BOUNDS = ("1 V", "60 V")  # 60 V: above it a circuit is no longer extra-low voltage (IEC 61140)
OWN_BOUNDS = ("0 mA", "1 A")
OHMS_BOUNDS = ("0.1 ohm", "1000 kohm")  # 1 Mohm is 1000 nS, still a thousand steps of the core's unit
ON_BOUNDS = ("0 ohm", "10 ohm")
TOLERANCE_BOUNDS = ("0 %", "20 %")  # E6, the widest series, has 20 %
TEMP_BOUNDS = ("1 C", "300 C")
CHARGE_BOUNDS = ("0.001 Ah", "1000 Ah")  # a milliampere-second count of 32 bits ends at 1193 Ah
RUN_BOUNDS = ("1 ms", "4.97 d")  # a tick count of 32 bits ends there


def load_board(path: str | Path | None = None, check_pins: bool = True) -> BoardModel:
    """The board in a file, or of a shipped name (None: bench-12v); raises InputError with every finding.

    check_pins False leaves pins used twice, and pins that no chip has, to a check that names its rules.
    """
    root, findings = places.read(data.board(data.DEFAULT_BOARD if path is None else path))
    model = _read(root, findings, check_pins)
    findings.stop()
    assert model is not None  # a model that can't be made left a finding
    return model


def _read(root: Node, findings: Findings, check_pins: bool) -> BoardModel | None:
    fields = Fields(root, findings, "the board", KEYS, REQUIRED)
    name = fields.parsed("board", _name)
    about = fields.text("about", "")
    supply = _supply(fields.node("supply"), findings)
    own = Fields(fields.node("own"), findings, "own", ("running",), ("running",))
    running = own.quantity("running", "current", OWN_BOUNDS)
    states, basis = _own_states(fields, findings)
    channels = _channels(fields, findings, check_pins)
    current, sense = wired.read_sense(fields.node("sense"), findings)
    caps = _caps(fields.node("caps"), findings)
    switch = parts.read_switch(fields.node("switch"), findings)
    enclosure = parts.read_enclosure(fields.node("enclosure"), findings)
    packages = parts.read_packages(fields.node("bodies"), findings)
    circuit = wired.read_circuit(fields, sense, findings, wired.MAX_PIN if check_pins else wired.ANY_PIN)
    if len(findings) or name is None or supply is None or running is None or caps is None:
        return None
    return BoardModel(
        name,
        about or "",
        *supply,
        units.to_ua(running),
        tuple(channels),
        current in (wired.MONITOR, wired.AMPLIFIER),
        caps,
        switch,
        enclosure,
        packages,
        circuit,
        findings.file,
        root,
        states,
        basis,
    )


def _own_states(fields: Fields, findings: Findings) -> tuple[dict[str, int], str]:
    if "own_states" not in fields:
        return {}, ""
    keys = Fields(fields.node("own_states"), findings, "own_states", OWN_STATES_KEYS)
    values = {key: keys.quantity(key, "current", OWN_BOUNDS) for key in OWN_STATES}
    return {key: units.to_ua(value) for key, value in values.items() if value is not None}, (
        keys.text("basis", "") or ""
    )


def _name(text: str) -> str:
    if program.name_is_valid(text):
        return text
    raise ValueError(f"must be a name of [a-z][a-z0-9-]{{0,31}}, not {units.shown(text)}")


def _supply(node: Node | None, findings: Findings) -> tuple[int, int, int] | None:
    fields = Fields(node, findings, "supply", SUPPLY_KEYS, SUPPLY_KEYS)
    volts = [fields.quantity(key, "voltage", SUPPLY_BOUNDS) for key in SUPPLY_KEYS]
    if None in volts:
        return None
    nominal, low, high = (units.to_mv(value) for value in volts if value is not None)
    if not low <= nominal <= high or low == high:
        findings.add(fields.place, "supply must have min <= nominal <= max, and min below max")
    return nominal, low, high


def _channels(fields: Fields, findings: Findings, check_pins: bool) -> list[Channel]:
    nodes = items(fields.node("channels"), findings, "channels")
    if "channels" in fields and not 1 <= len(nodes) <= bank.MAX_CHANNELS:
        place = fields.value_place("channels")
        findings.add(place, f"channels must list 1 to {bank.MAX_CHANNELS} channels, not {len(nodes)}")
    channels: list[Channel] = []
    pins: dict[int, int] = {}
    for number, node in enumerate(nodes[: bank.MAX_CHANNELS], 1):
        keys = Fields(node, findings, f"channel {number}", CHANNEL_KEYS, CHANNEL_REQUIRED)
        pin = keys.whole("pin", 0, wired.MAX_PIN if check_pins else wired.ANY_PIN)
        ohms = keys.quantity("ohms", "resistance", OHMS_BOUNDS)
        tolerance = keys.quantity("tolerance", "percent", TOLERANCE_BOUNDS)
        on_ohms = keys.quantity("on_ohms", "resistance", ON_BOUNDS)
        part = parts.read_channel(keys, ohms, findings)
        if check_pins and pin is not None and pins.setdefault(pin, number) != number:
            findings.add(keys.value_place("pin"), f"pin {pin} already drives channel {pins[pin]}")
        if pin is not None and ohms is not None and tolerance is not None and on_ohms is not None:
            channels.append(Channel(pin, ohms, tolerance, on_ohms, **part))
    return channels


def _caps(node: Node | None, findings: Findings) -> dict[str, int] | None:
    fields = Fields(node, findings, "caps", CAPS_KEYS, CAPS_KEYS)
    low = fields.quantity("supply_min", "voltage", SUPPLY_BOUNDS)
    high = fields.quantity("supply_max", "voltage", SUPPLY_BOUNDS)
    run = fields.quantity("run", "time", RUN_BOUNDS)
    charge = fields.quantity("charge", "charge", CHARGE_BOUNDS)
    temp = fields.quantity("bank_temp", "temperature", TEMP_BOUNDS)
    if low is None or high is None or run is None or charge is None or temp is None:
        return None
    if low >= high:
        findings.add(fields.value_place("supply_min"), "supply_min must be below supply_max")
    values = (
        units.to_mv(low),
        units.to_mv(high),
        units.to_ticks(run),
        units.to_mas(charge),
        units.to_cdeg(temp),
    )
    return dict(zip(core.CAPS, values, strict=True))
