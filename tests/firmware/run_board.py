"""Boots main.py on the fake board and talks to it over its USB port, under CPython and MicroPython alike.

Usage: run_board.py FOLDER. It holds board.json and script.json and gets out.json. The script: `adc` (counts
by GPIO), `levels` (inputs by GPIO), `lines` ([ms, text or hex block, ...]), `events` ([ms, name, ...], see
act), `stall_ms` (what one write to flash costs), `scratch` (the scratch register at power-up), `edges` (how
many the chip keeps).
"""

# Runs under MicroPython too, which has neither pathlib nor nested formats.
# ruff: noqa: PTH123, PTH208, UP031

import json
import os
import sys

from fake_board import chip as silicon
from fake_board import modules

MS = 1_000_000
SCRATCH = 0x4005800C


class Monitor:
    """A power monitor at an address, measuring what the test says, in shunt counts."""

    def __init__(self, address, counts):
        self.address = address
        self.counts = counts
        self.registers = {}

    def read(self, register):
        value = {0xFE: 0x5449, 0x01: self.counts & 0xFFFF}[register]
        return bytes((value >> 8, value & 0xFF))

    def write(self, register, data):
        self.registers[register] = data


def slow_store(base, chip, script):
    """A FileStore whose writes stall the processor, and fail where the script says so."""

    def stall():
        chip.spend(script.get("stall_ms", 0) * MS)
        if chip.planted:
            chip.planted = False
            raise ValueError("planted")

    class SlowStore(base):
        def create(self, name, mode="wb"):
            stall()
            return base.create(self, name, mode)

        def rename(self, old, new):
            stall()
            base.rename(self, old, new)

    return SlowStore


def act(chip, name, *values):
    """One event of the world outside."""
    if name == "level":
        chip.levels[values[0]] = values[1]
    elif name == "adc":
        chip.adc[values[0]] = values[1]
    elif name == "monitor":
        chip.monitor = Monitor(*values) if values else None
    elif name == "cut":
        report(chip, "power cut")  # what the firmware does with the exception comes after the end
        chip.dead = True
        raise silicon.Reset("power cut")
    elif name == "plant":
        chip.planted = True
    elif name == "ctrl-c":
        if chip.interrupt_byte == 3:
            raise KeyboardInterrupt
    elif name == "room":
        chip.usb_room = values[0]
    else:
        raise ValueError(name)


def send(chip, pieces):
    """Bytes from the host: text, or a list of hexadecimal digits."""
    for piece in pieces:
        chip.usb_in.extend(bytes.fromhex(piece[0]) if isinstance(piece, list) else piece.encode())


def prepare(script):
    """The chip as the script wants it."""
    chip = silicon.Chip(edges=script.get("edges", 4096))
    chip.planted = chip.dead = False
    chip.hal = None
    chip.mem32[SCRATCH] = script.get("scratch", 0)
    for pin, value in script.get("adc", {}).items():
        chip.adc[int(pin)] = value
    for pin, value in script.get("levels", {}).items():
        chip.levels[int(pin)] = value
    for ms, *pieces in script.get("lines", ()):
        chip.at(ms * MS, lambda pieces=pieces: send(chip, pieces))
    for ms, *event in script.get("events", ()):
        chip.at(ms * MS, lambda event=event: act(chip, *event))
    return chip


def boot(chip, script):
    """Run main.py until it ends; returns how."""
    modules.install(chip)
    import main
    from boxcore import files, hal_rp2

    hal_rp2.sys = modules.Module()
    hal_rp2.sys.stdin = hal_rp2.sys.stdout = modules.Stream(chip)
    files.FileStore = slow_store(files.FileStore, chip, script)
    if not hasattr(sys, "print_exception"):  # MicroPython's own
        sys.print_exception = lambda fault, file: file.write(repr(fault))

    def shell(board, ring, make=hal_rp2.Rp2Hal):
        chip.hal = make(board, ring)
        return chip.hal

    hal_rp2.Rp2Hal = shell
    try:
        main.main()
    except KeyboardInterrupt:
        return "interrupted"
    except silicon.Reset as reset:
        return str(reset)
    except Exception as error:
        return "raised: %s" % error
    return "returned"


def report(chip, ended):
    """Write what came of the boot."""
    hal = chip.hal
    out = {
        "ended": ended,
        "edges": [[ns, pins] for ns, pins in chip.changes()],
        "replies": bytes(chip.usb_out).decode(),
        "pins": chip.pins,
        "off": chip.outputs.get(12),
        "ns": chip.ns,
        "watched": chip.watchdog_ns is not None,
        "interrupt_byte": chip.interrupt_byte,
        "scratch": chip.mem32[SCRATCH],
        "starved": hal.starved_count if hal else None,
        "late": hal.late_ticks if hal else None,
        "files": sorted(os.listdir()),
        "zero_ns": zero_ns(chip, hal) if hasattr(hal, "_us") else None,  # compiled, its names are short
    }
    with open("out.json", "w") as file:
        file.write(json.dumps(out))


def zero_ns(chip, hal):
    """When the shell's tick 0 was."""
    return chip.ns - (chip.us() - hal._us & (1 << 30) - 1) * 1000 - hal._tick * 100_000 - hal._rest_us * 1000


def run(folder):
    """One boot from a folder; writes out.json there."""
    os.chdir(folder)
    with open("script.json") as file:
        script = json.loads(file.read())
    chip = prepare(script)
    ended = boot(chip, script)
    if not chip.dead:
        report(chip, ended)


if __name__ == "__main__":
    run(sys.argv[1])
