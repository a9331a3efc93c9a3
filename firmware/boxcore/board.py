"""The board as the box is told it: its bank, its limits, its pins, from the integer-only board.json that the
host compiles from a board file.

It carries a CRC-32 so that a board file written in part is never believed.
"""

import binascii
import json

FORMAT = 1
FIELDS = ("name", "channels_ns", "pins", "own_ua", "monitor", "caps")
CAPS = ("supply_min_mv", "supply_max_mv", "run_ticks", "charge_mas", "bank_temp_cdeg")

# What only the board's shell asks for, each with the value that it has where board.json says nothing: the
# shipped board's wiring, but for the sensors that it may lack. Pins are GPIO numbers.
HARDWARE = {
    "clock_khz": 96_000,  # processor clock while the box works; 1 ms pulses need two thirds of it
    "enable_pin": 12,  # the gate buffer's output-enable, low active
    "selector_pins": (16, 17, 18, 19),  # the slot selector's code, weights 1 2 4 8
    "arm_pin": 20,
    "button_pin": 21,
    "indicator_pin": 22,
    "indicator_duty": 300,  # of 65535: seen when looked for
    "supply_pin": 26,
    "supply_full_mv": 25_300,  # what a full count stands for
    "thermistor_pin": 27,
    "thermistor": (),  # none; or first and step temperature, 14-bit counts: see sensors.thermistor_cdeg
    "shunt_pin": 28,
    "shunt_full_ua": 0,  # none; or what a full count of an amplified shunt stands for
    "i2c": 0,
    "sda_pin": 0,
    "scl_pin": 1,
    "monitor_address": 0x40,
    "monitor_shunt_uohm": 50_000,
}
PINS = ("enable_pin", "selector_pins", "arm_pin", "button_pin", "indicator_pin", "supply_pin")


class BoardError(ValueError):
    """The bytes are not a board file that this firmware can use; the message says why."""


class Board:
    """name; channels_ns: each channel's conductance, nanosiemens; pins: its GPIO number; own_ua: the box's
    own consumption while running; monitor: whether bank current is measured; caps: the board's own limits;
    hardware: what the board's shell asks for, see HARDWARE, whose values stand where none are given."""

    def __init__(self, name, channels_ns, pins, own_ua, monitor, caps, hardware=None):
        self.name = name
        self.channels_ns = tuple(channels_ns)
        self.pins = tuple(pins)
        self.own_ua = own_ua
        self.monitor = monitor
        self.caps = dict(caps)
        self.hardware = dict(HARDWARE)
        for key, value in (hardware or {}).items():
            if key not in HARDWARE:
                raise BoardError("board.json has the unknown hardware key " + key)
            self.hardware[key] = tuple(value) if isinstance(value, list) else value

    def used_pins(self):
        """The GPIO numbers in use, in no order, one that is used twice appearing twice."""
        hardware = self.hardware
        fitted = PINS + (("thermistor_pin",) if hardware["thermistor"] else ())
        if hardware["shunt_full_ua"]:
            fitted += ("shunt_pin",)
        elif self.monitor:
            fitted += ("sda_pin", "scl_pin")
        used = list(self.pins)
        for key in fitted:
            value = hardware[key]
            used += value if isinstance(value, tuple) else [value]
        return used


def load(data):
    """The Board in the bytes of a board.json; raises BoardError. What stands under a right CRC was checked by
    the host, where whoever wrote the board file can be told."""
    head, _, text = bytes(data).partition(b"\n")
    text = text.rstrip(b"\n")
    if head != b"%08x" % binascii.crc32(text):
        raise BoardError("board.json is damaged: its CRC-32 differs")
    try:
        body = json.loads(text)
        if body["format"] != FORMAT:
            raise BoardError("board.json has format %s, this firmware reads %d" % (body["format"], FORMAT))
        name, channels_ns, pins, own_ua, monitor, caps = [body[field] for field in FIELDS]
        return Board(name, channels_ns, pins, own_ua, monitor, zip(CAPS, caps), body.get("hardware"))
    except BoardError:
        raise
    except (ValueError, TypeError, KeyError, AttributeError):
        raise BoardError("board.json is not a board") from None
