"""Which channels a school's recorder can take at once and with which front ends; refusals with reasons."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction

from nightdraw.errors import InputError
from nightdraw.instruments.front import Traits
from nightdraw.instruments.model import SHORTS, SINGLE_ENDED, Clamp, Instruments, Recorder

CLAMPED_A = 2.0  # a key-off record's range: what a vehicle that falls asleep draws at most (common practice)
DROP_MV = 10.0  # a fuse's drop on the way to sleep: 1 A through 7.5 A's 11 mohm


def check(kit: Instruments, clamps: int, drops: int, rate_hz: Fraction, samples: int) -> None:
    """Raise InputError where so many clamped channels and fuse drops can't be recorded with this kit.

    samples: how many a channel.
    """
    recorder = kit.recorder
    if recorder is None:
        raise InputError(f"instruments {kit.name}: there is no recorder among them")
    if clamps and (kit.clamp is None or kit.clamp.count < clamps):
        owned = 0 if kit.clamp is None else kit.clamp.count
        raise InputError(f"instruments {kit.name}: {clamps} clamped channels, but clamps: {owned}")
    if drops and recorder.inputs == SINGLE_ENDED:
        raise InputError(f"instruments {kit.name}: {SHORTS}; take differential or isolated inputs")
    if clamps + drops > recorder.channels:
        raise InputError(
            f"instruments {kit.name}: {clamps + drops} channels, the recorder has {recorder.channels}"
        )
    if rate_hz > recorder.rate_hz:
        raise InputError(f"instruments {kit.name}: the recorder takes at most {recorder.rate_hz:g} Hz")
    if recorder.memory is not None and samples * (clamps + drops) > recorder.memory:
        fits_hz = rate_hz * recorder.memory / (samples * (clamps + drops))
        raise InputError(
            f"instruments {kit.name}: the recorder holds {recorder.memory} samples, that is too few: "
            f"--rate may be {_three_digits(fits_hz)} Hz for this length"
        )


def clamp_front(clamp: Clamp, recorder: Recorder, most_a: float = CLAMPED_A) -> Traits:
    """A clamp read by a recorder in the range for `most_a`, in amperes: both noises, the coarser step, the
    nearer limit."""
    range_mv = recorder.range_over(most_a * clamp.mv_per_a)
    noise_a = recorder.noise_mv / clamp.mv_per_a
    if not recorder.instant:  # of means only what lies within the clamp's band is left
        noise_a *= min(1.0, clamp.bandwidth_hz / (recorder.rate_hz / 2)) ** 0.5
    step = max(clamp.step_a, recorder.step_mv(range_mv) / clamp.mv_per_a)
    noise = math.hypot(clamp.noise_a, noise_a)
    most = min(clamp.most_a, range_mv / clamp.mv_per_a)
    return Traits(
        noise, clamp.bandwidth_hz, clamp.drift_a, clamp.bandwidth_hz, step, most, recorder.instant,
        clamp.offset_a,
    )  # fmt: skip


def drop_front(recorder: Recorder, most_mv: float = DROP_MV) -> Traits:
    """A fuse's drop read by a recorder in the range for `most_mv`, millivolts."""
    range_mv = recorder.range_over(most_mv)
    step = recorder.step_mv(range_mv)
    return Traits(recorder.noise_mv, recorder.rate_hz / 2, 0.0, math.inf, step, range_mv, recorder.instant)


def count(kinds: Iterable[str], drop: str) -> tuple[int, int]:
    """How many of the kinds are clamped, how many are fuse drops."""
    listed = list(kinds)
    drops = sum(kind == drop for kind in listed)
    return len(listed) - drops, drops


def _three_digits(hz: Fraction) -> str:
    """A rate rounded down, as a person writes it."""
    place = math.floor(math.log10(hz)) - 2
    scale = Fraction(10) ** place
    return f"{float(hz // scale * scale):.{max(0, -place)}f}"
