"""From an instruments file to the checked model; all findings of a file are raised together."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from nightdraw import places, units
from nightdraw.fields import Fields, items, read_with
from nightdraw.instruments import model
from nightdraw.instruments.model import Clamp, FuseMeter, Instruments, Meter, Range, Recorder, Thermal
from nightdraw.places import Findings, Node

KEYS = ("instruments", "about", "meter", "clamp", "recorder", "fuse_meter", "thermal")
METER_KEYS = ("ranges", "update", "capture", "accuracy")
RANGE_KEYS = ("most", "ohms", "step")
CLAMP_KEYS = ("count", "most", "step", "noise", "bandwidth", "drift", "sensitivity")
RECORDER_KEYS = ("channels", "inputs", "bits", "ranges", "rate", "memory", "noise", "samples")
CURRENT = ("0 A", "1000 A")
SOME_CURRENT = ("1 uA", "1000 A")
SMALL_MV = ("0 mV", "100 V")
TIME = ("1 ms", "1 min")
FREQUENCY = ("0.1 Hz", "10000 kHz")
MOST_RANGES = 12
MOST_MEMORY = 10**12


def load_instruments(path: str | Path) -> Instruments:
    """The instruments in a YAML file; raises InputError with every finding, each with its place."""
    root, findings = places.read(path)
    found = _Reader(findings).read(root)
    findings.stop()
    return found


class _Reader:
    def __init__(self, findings: Findings) -> None:
        self._findings = findings

    def read(self, root: Node) -> Instruments:
        f = Fields(root, self._findings, "the instruments", KEYS, ("instruments",))
        return Instruments(
            f.text("instruments") or "",
            f.text("about") or "",
            self._meter(f),
            self._clamp(f),
            self._recorder(f),
            self._fuse_meter(f),
            self._thermal(f),
        )

    def _meter(self, f: Fields) -> Meter | None:
        if "meter" not in f:
            return None
        g = Fields(f.node("meter"), self._findings, "meter", METER_KEYS, METER_KEYS[:3])
        nodes = items(g.node("ranges"), self._findings, "ranges")[:MOST_RANGES]
        ranges = [found for node in nodes if (found := self._range(node)) is not None]
        update, capture = g.quantity("update", "time", TIME), g.quantity("capture", "time", TIME)
        accuracy = g.quantity("accuracy", "percent", ("0 %", "20 %"), Fraction(1))
        if update is None or capture is None or accuracy is None:
            return None
        if not ranges:
            if "ranges" in g and not len(self._findings):
                self._findings.add(g.value_place("ranges"), "a meter has at least one range")
            return None
        ranges.sort(key=lambda one: one.most_a)
        return Meter(tuple(ranges), float(update), float(capture), float(accuracy) / 100)

    def _range(self, node: Node) -> Range | None:
        f = Fields(node, self._findings, "a range", RANGE_KEYS, RANGE_KEYS)
        most, step = f.quantity("most", "current", SOME_CURRENT), f.quantity("step", "current", SOME_CURRENT)
        ohms = f.quantity("ohms", "resistance", ("0 ohm", "1000 ohm"))
        return (
            None
            if most is None or step is None or ohms is None
            else Range(float(most), float(ohms), float(step))
        )

    def _clamp(self, f: Fields) -> Clamp | None:
        if "clamp" not in f:
            return None
        g = Fields(
            f.node("clamp"), self._findings, "clamp", CLAMP_KEYS, ("most", "step", "noise", "bandwidth")
        )
        count = g.whole("count", 1, 20, 1)
        most, step = g.quantity("most", "current", SOME_CURRENT), g.quantity("step", "current", CURRENT)
        noise = g.quantity("noise", "current", CURRENT)
        band = g.quantity("bandwidth", "frequency", FREQUENCY)
        drift = g.quantity("drift", "current", CURRENT, Fraction(0))
        per_a = g.quantity("sensitivity", "voltage", ("0.1 mV", "10 V"), Fraction(1, 10))
        if count is None or most is None or step is None or noise is None or band is None:
            return None
        if drift is None or per_a is None:
            return None
        return Clamp(
            count, float(most), float(step), float(noise), float(band), float(drift), float(per_a) * 1000
        )

    def _recorder(self, f: Fields) -> Recorder | None:
        if "recorder" not in f:
            return None
        required = ("channels", "inputs", "bits", "ranges", "rate")
        g = Fields(f.node("recorder"), self._findings, "recorder", RECORDER_KEYS, required)
        channels, bits = g.whole("channels", 1, 64), g.whole("bits", 8, 24)
        inputs = g.choice("inputs", model.INPUTS)
        ranges = self._volts(g)
        rate = g.quantity("rate", "frequency", FREQUENCY)
        memory = g.whole("memory", 1000, MOST_MEMORY)
        noise = g.quantity("noise", "voltage", SMALL_MV, Fraction(0))
        samples = g.choice("samples", (model.MEANS, model.INSTANTS), model.MEANS)
        if channels is None or bits is None or inputs is None or rate is None or noise is None or not ranges:
            return None
        return Recorder(
            channels,
            inputs,
            bits,
            tuple(ranges),
            float(rate),
            memory,
            float(noise) * 1000,
            samples == model.INSTANTS,
        )

    def _volts(self, g: Fields) -> list[float]:
        found = []
        for node in items(g.node("ranges"), self._findings, "ranges")[:MOST_RANGES]:
            value = read_with(node, self._findings, "ranges", lambda text: units.parse(text, "voltage"))
            if value is not None and value <= 0:
                self._findings.add(node, "a range must be above 0 V")
            elif value is not None:
                found.append(float(value) * 1000)
        return sorted(found)

    def _fuse_meter(self, f: Fields) -> FuseMeter | None:
        if "fuse_meter" not in f:
            return None
        g = Fields(f.node("fuse_meter"), self._findings, "fuse_meter", ("step", "noise", "update"), ("step",))
        step = g.quantity("step", "voltage", ("0.0001 mV", "1 V"))
        noise = g.quantity("noise", "voltage", SMALL_MV, Fraction(0))
        update = g.quantity("update", "time", TIME, Fraction(1, 3))
        if step is None or noise is None or update is None:
            return None
        return FuseMeter(float(step) * 1000, float(noise) * 1000, float(update))

    def _thermal(self, f: Fields) -> Thermal | None:
        if "thermal" not in f:
            return None
        g = Fields(f.node("thermal"), self._findings, "thermal", ("least",), ("least",))
        least = g.quantity("least", "absolute temperature", ("0.01 K", "50 K"), Fraction(1))
        return None if least is None else Thermal(float(least))
