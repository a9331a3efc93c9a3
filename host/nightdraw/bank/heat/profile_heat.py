"""Heat under a profile: verdicts from a run's warm-up, single pulses against the makers' pulse rules.

The supply stands at the highest that box and program allow; run 1 of the program is played, from cold.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from boxcore.program import Program

from nightdraw import programs
from nightdraw.bank.heat import touch
from nightdraw.bank.heat.enclosure import HeatedEnclosure, Temperatures
from nightdraw.bank.heat.mounted import MountedChannel, box_of, mounted_channels
from nightdraw.bank.heat.overload import pulse_w
from nightdraw.bank.heat.steady_state import Heat
from nightdraw.bank.heat.verdicts import ELECTRONICS_C, HeatVerdict, switch_verdict
from nightdraw.bank.heat.warm_up import HORIZON_S, ChannelUse, WarmUp, patterns, warm_up
from nightdraw.board import BoardModel


@dataclass(frozen=True)
class ProfileHeat:
    """The verdicts of a run, and its temperatures for a plot."""

    heat: Heat
    warm_up: WarmUp


def profile_heat(
    board: BoardModel,
    program: Program,
    ambient_c: float,
    progress: Callable[[float], None] = lambda share: None,
) -> ProfileHeat:
    """Play a program on a board and weigh every part at its peak; raises InputError as heat.weigh does.

    progress: called with the share of the work done, 0 to 1.
    """
    channels = mounted_channels(board)
    box = box_of(board, channels)
    limit_mv = programs.numbers(program)["supply_max_mv"]
    supply_mv = min(board.caps["supply_max_mv"], limit_mv)
    supply_v = supply_mv / 1000
    segments = list(patterns(board, program, supply_mv))
    run = warm_up(board, channels, box, ambient_c, supply_v, segments)
    progress(1 / 2)
    reference = warm_up(board, channels, box, touch.REFERENCE_C, supply_v, segments)
    progress(1.0)
    parts = _channel_parts(channels, run, supply_v)
    if board.switch is not None:
        air = Temperatures(run.wall_c, run.wall_c, run.air_c)
        used = [channel for channel, use in zip(channels, run.uses, strict=True) if use.on_s]
        parts += [switch_verdict(board.switch, channel, supply_v, air) for channel in used]
    parts += _box_parts(box, (run, ambient_c), (reference, touch.REFERENCE_C))
    air = Temperatures(run.wall_c, run.wall_c, run.air_c)
    assumptions = _assumptions(program, run, supply_v)
    return ProfileHeat(Heat(tuple(parts), air, ambient_c, supply_v, assumptions), run)


def _assumptions(program: Program, run: WarmUp, supply_v: float) -> tuple[str, ...]:
    cut = f", the first {HORIZON_S / 3600:g} h of it" if run.seconds >= HORIZON_S else ""
    return (
        f"run 1 of {program.name}, {run.seconds:.0f} s from cold{cut}, at {supply_v:g} V, the highest supply "
        "that box and profile allow, patterns as the box picks them there",
        "dissipation is the run's mean, temperature its peak; allowed is the mean at which the same run "
        "would peak at the limit; a pulse is weighed by its longest unbroken time on",
        "a resistor is one lump: inside a single pulse its wire or film may be hotter, which the makers' "
        "overload rules cover",
        "resistors at the low end of their tolerance; no sun, no fan",
    )


def _channel_parts(channels: Sequence[MountedChannel], run: WarmUp, supply_v: float) -> list[HeatVerdict]:
    parts = []
    for number, (channel, use) in enumerate(zip(channels, run.uses, strict=True)):
        peak_c = float(run.peaks_c[number])
        around_c = run.wall_c if channel.on_plate else run.air_c
        parts.append(_resistor_verdict(channel, use, run, peak_c, supply_v))
        if use.on_s:
            parts.append(_pulse_part(channel, use, peak_c, around_c, supply_v))
    return parts


def _resistor_verdict(
    channel: MountedChannel, use: ChannelUse, run: WarmUp, peak_c: float, supply_v: float
) -> HeatVerdict:
    """A resistor's mean and peak over the run."""
    mean = use.joules / run.seconds / channel.channel.count
    limit = channel.package.limit_c
    volts_ok = channel.element_volts(supply_v) <= channel.package.volts_max
    ok = peak_c <= limit and volts_ok
    around_c = run.wall_c if channel.on_plate else run.air_c
    if use.on_s and peak_c > around_c:
        allowed = _scaled(mean, peak_c, limit, around_c)
    else:
        allowed = channel.allowed_w(Temperatures(run.wall_c, run.wall_c, run.air_c))
    share = f"on for {use.on_s:.0f} of {run.seconds:.0f} s"
    about = f"{channel.element_ohms():g} ohm, {channel.package.name}, {share}"
    remedy = "" if ok else "a larger package, or a shorter or rarer pulse"
    return HeatVerdict(channel.name, mean, allowed, peak_c, limit, ok, about, remedy)


def _pulse_part(
    channel: MountedChannel, use: ChannelUse, peak_c: float, around_c: float, supply_v: float
) -> HeatVerdict:
    """A resistor's pulse against its overload rule, at the rating derated for where it sits."""
    watts = channel.watts(supply_v) / channel.channel.count
    rating = channel.allowed_w(Temperatures(around_c, around_c, around_c))
    allowed = pulse_w(channel.package, rating, use.longest_s)
    ok = watts <= allowed
    about = f"{watts:.3g} W for {use.longest_s:.3g} s, {watts * use.longest_s:.3g} J at once"
    remedy = "" if ok else f"a larger package, or pulses within {channel.package.overload_s:g} s"
    return HeatVerdict(
        f"{channel.name}, pulse", watts, allowed, peak_c, channel.package.limit_c, ok, about, remedy
    )


def _scaled(watts: float, peak_c: float, limit_c: float, around_c: float) -> float:
    """The mean at which the peak's rise over its surroundings would end at the limit."""
    if peak_c <= around_c:
        return watts
    return max(0.0, watts * (limit_c - around_c) / (peak_c - around_c))


Seen = tuple[WarmUp, float]  # a run and the ambient that it was played in


def _box_parts(box: HeatedEnclosure, inside: Seen, handled: Seen) -> list[HeatVerdict]:
    material = touch.METAL if box.metal else touch.PLASTIC
    rows = (
        ("air inside", inside, inside[0].air_c, ELECTRONICS_C, "electronics' ambient"),
        (
            "wall, handled",
            handled,
            handled[0].wall_c,
            touch.handling_limit_c(material),
            f"{material}, touched {touch.HANDLED}, in a room of {handled[1]:g} C: {touch.TS1_SOURCE}",
        ),
        (
            "wall, brushed",
            inside,
            inside[0].wall_c,
            touch.burn_limit_c(material),
            f"{material}, {touch.BRUSHED_S:g} s, at {inside[1]:g} C around: {touch.BURN_SOURCE}",
        ),
    )
    parts = []
    for name, (run, around_c), temp_c, limit_c, about in rows:
        mean = run.total_j / run.seconds
        allowed = _scaled(mean, temp_c, limit_c, around_c)
        ok = temp_c <= limit_c
        remedy = "" if ok else "a larger box, a painted one, or less charge an hour"
        parts.append(HeatVerdict(name, mean, allowed, temp_c, limit_c, ok, about, remedy))
    return parts
