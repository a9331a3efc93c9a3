"""From an instruments file to the checked model; all findings of a file are raised together."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

from nightdraw import places, units
from nightdraw.fields import FLOAT, FLOAT_SHARE, Choice, Field, Held, Listed, Quantity, Record, Text, Whole
from nightdraw.instruments import model
from nightdraw.instruments.model import Clamp, FuseMeter, Instruments, Meter, Range, Recorder, Thermal

MV = Held(lambda value: float(value) * 1000, Fraction(1000))
CURRENT = Quantity("current", ("0 A", "1000 A"), FLOAT)
SOME_CURRENT = Quantity("current", ("1 uA", "1000 A"), FLOAT)
SMALL_MV = Quantity("voltage", ("0 mV", "100 V"), MV)
TIME = Quantity("time", ("1 ms", "1 min"), FLOAT)
FREQUENCY = Quantity("frequency", ("0.1 Hz", "10000 kHz"), FLOAT)
MOST_RANGES = 12
MOST_MEMORY = 10**12


def load_instruments(path: str | Path) -> Instruments:
    """The instruments in a YAML file; raises InputError with every finding, each with its place."""
    root, findings = places.read(path)
    read = INSTRUMENTS.open(root, findings)
    findings.stop()
    return Instruments(**read.named())


def _range_mv(text: str) -> float:
    value = units.parse(text, "voltage")
    if value <= 0:
        raise units.QuantityError(f"a range must be above 0 V, not {units.shown(text)}")
    return float(value) * 1000


def _meter(ranges: tuple[Range, ...], **values: Any) -> Meter:
    return Meter(tuple(sorted(ranges, key=lambda one: one.most_a)), **values)


def _recorder(ranges_mv: tuple[float, ...], samples: str, **values: Any) -> Recorder:
    return Recorder(ranges_mv=tuple(sorted(ranges_mv)), instant=samples == model.INSTANTS, **values)


RANGE = Record(
    "a range",
    (
        Field("most", SOME_CURRENT, "What it shows at most.", True, to="most_a"),
        Field("ohms", Quantity("resistance", ("0 ohm", "1000 ohm"), FLOAT), "Its burden.", True),
        Field("step", SOME_CURRENT, "Its last digit.", True, to="step_a"),
    ),
    make=Range,
)
METER = Record(
    "meter",
    (
        Field("ranges", Listed(RANGE, 1, MOST_RANGES, "ranges", "a range"), "Its current ranges.", True),
        Field("update", TIME, "Between readings.", True, to="update_s"),
        Field("capture", TIME, "What MAX and MIN must see.", True, to="capture_s"),
        Field(
            "accuracy", Quantity("percent", ("0 %", "20 %"), FLOAT_SHARE), "Of the reading.", default="1 %"
        ),
    ),
    make=_meter,
)
CLAMP = Record(
    "clamp",
    (
        Field("count", Whole(1, 20), "How many there are.", default="1"),
        Field("most", SOME_CURRENT, "What it shows at most.", True, to="most_a"),
        Field("step", CURRENT, "Its last digit.", True, to="step_a"),
        Field("noise", CURRENT, "Rms over its bandwidth.", True, to="noise_a"),
        Field("bandwidth", FREQUENCY, "Its bandwidth.", True, to="bandwidth_hz"),
        Field("drift", CURRENT, "Rms, over minutes.", default="0 A", to="drift_a"),
        Field(
            "sensitivity",
            Quantity("voltage", ("0.1 mV", "10 V"), MV),
            "What it gives for an ampere.",
            default="100 mV",
            to="mv_per_a",
        ),
        Field(
            "offset",
            Quantity("voltage", ("-10 V", "10 V"), MV),
            "What it gives around nothing until it is zeroed; a search zeroes it first.",
            default="0 mV",
            to="offset_mv",
        ),
    ),
    make=Clamp,
)
RECORDER = Record(
    "recorder",
    (
        Field("channels", Whole(1, 64), "How many it has.", True),
        Field(
            "inputs",
            Choice(model.INPUTS),
            "A single-ended input can't lie across a fuse: it shorts battery positive to ground.",
            True,
        ),
        Field("bits", Whole(8, 24), "Of its converter, over twice a range.", True),
        Field(
            "ranges",
            Listed(Quantity("voltage", parse=_range_mv), 1, MOST_RANGES, "ranges"),
            "Each goes from minus to plus so much.",
            True,
            to="ranges_mv",
        ),
        Field("rate", FREQUENCY, "The highest, a channel.", True, to="rate_hz"),
        Field("memory", Whole(1000, MOST_MEMORY), "Samples in all.", otherwise="it streams to a computer"),
        Field("noise", SMALL_MV, "Rms over half its rate.", default="0 mV", to="noise_mv"),
        Field(
            "samples",
            Choice((model.MEANS, model.INSTANTS)),
            "What a sample is: the mean since the one before, or the signal at its instant, noise and all.",
            default=model.MEANS,
        ),
    ),
    make=_recorder,
)
FUSE_METER = Record(
    "fuse_meter",
    (
        Field("step", Quantity("voltage", ("0.0001 mV", "1 V"), MV), "Its last digit.", True, to="step_mv"),
        Field("noise", SMALL_MV, "Rms of a reading.", default="0 mV", to="noise_mv"),
        Field(
            "update",
            TIME,
            "Between readings.",
            otherwise="a third of a second",
            instead=float(Fraction(1, 3)),
            to="update_s",
        ),
    ),
    make=FuseMeter,
)
LEAST = Quantity("absolute temperature", ("0.01 K", "50 K"), FLOAT)
THERMAL = Record(
    "thermal",
    (Field("least", LEAST, "The rise above its surroundings that it makes out.", True, to="least_k"),),
    make=Thermal,
)
INSTRUMENTS = Record(
    "the instruments",
    (
        Field("instruments", Text(), "A name for what there is.", True, to="name"),
        Field("about", Text(), "For people.", instead=""),
        Field("meter", METER, "A hand-held meter, in line."),
        Field("clamp", CLAMP, "A low-current clamp."),
        Field("recorder", RECORDER, "What records."),
        Field("fuse_meter", FUSE_METER, "A millivolt meter across fuses."),
        Field("thermal", THERMAL, "A hand or a camera that finds what is warm."),
    ),
)
