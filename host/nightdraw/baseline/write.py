"""The fitted vehicle as a file that a person can read and change, and that everything reads back.

What a recording can't tell (battery, starter, sources) is another vehicle's, told as such.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from nightdraw import units
from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.baseline.fit import Fitted
from nightdraw.errors import InputError
from nightdraw.vehicle.model import Source, Vehicle

KIND = "C"  # the largest family that has ratings for a single fuse with all of a vehicle's draw
SECONDS = 60 * units.TICKS_PER_S
ROOM = 1.25  # a fuse's rating over the most that is drawn on it


def as_text(fitted: Fitted, name: str, like: Vehicle, recordings: Sequence[str]) -> str:
    """The YAML; raises InputError where no fuse bears what was drawn."""
    cell, times = like.battery, like.battery.in_series
    most_a = max([fitted.asleep_ma, *(ma for ma, _ in fitted.stairs)]) / 1000
    most_a += sum(one.level_ma for one in fitted.twitches) / 1000
    about = (
        f"Fitted from {len(recordings)} recording{'s' if len(recordings) > 1 else ''} of a vehicle asleep."
        f" All of it is on one fuse. Battery, starter and sources are those of {like.name}: put in your own."
    )
    lines = [
        "# yaml-language-server: $schema=vehicle.schema.json",
        f"vehicle: {name}",
        "about: >",
        f"  {about}",
        "battery:",
        f"  type: {cell.type}",
        *([f"  in_series: {times}"] if times > 1 else []),
        f"  capacity: {_q(cell.capacity_ah, 'Ah')}",
        f"  charge: {_q(cell.charge_pct, '%')}",
        f"  temperature: {_q(cell.temp_c, 'C')}",
        f"  resistance: {_q(cell.ohms, 'ohm')}",
        f"  self_discharge: {_q(cell.self_discharge_pct, '%')}",
        f"  no_start: {_q(cell.no_start_pct, '%')}",
        f"  crank_min: {_q(cell.crank_min_v, 'V')}",
        f"  health: {_q(cell.health_pct, '%')}",
    ]
    lines += _sources(like)
    lines += [
        f"noise: {_ma(fitted.noise_ma)}",
        "feeds:",
        "  - {feed: whole, ohms: 0.003 ohm}",
        "fuses:",
        f"  - {{fuse: F1, feed: whole, type: {KIND}, rating: {_rating(most_a):g} A}}",
        f"  - {{fuse: F2, feed: whole, type: {KIND}, rating: 15 A}}",
        "modules:",
        "  - module: vehicle",
        "    fuse: F1",
    ]
    if fitted.stairs:
        lines.append("    stages:")
        lines += [f"      - {{draw: {_ma(ma)}, for: {_time(s)}}}" for ma, s in fitted.stairs]
    lines += [f"    asleep: {_ma(fitted.asleep_ma)}", "    wakes: [door, unlock, fuse]"]
    if fitted.twitches:
        lines.append("twitches:")
    for k, one in enumerate(fitted.twitches):
        low, high = one.every_s
        every = _time(low) if low == high else f"{_time(low)} .. {_time(high)}"
        when = ", when: asleep" if one.asleep_only else ""
        lines.append(
            f"  - {{twitch: twitch-{k + 1}, fuse: F1, draw: {_ma(one.level_ma)}, on: {_time(one.on_s)},"
            f" every: {every}{when}}}"
        )
    lines += ["splices:", "  - {splice: vehicle, fuse: F1}", "  - {splice: spare, fuse: F2}"]
    return "\n".join(lines) + "\n"


def _sources(like: Vehicle) -> list[str]:
    """The starter, alternator and charger of another vehicle."""
    lines = []
    if like.starter is not None:
        s = like.starter
        inrush = f", inrush: {_q(s.inrush_a, 'A')}" if s.inrush_a else ""
        ripple = f", ripple: {_q(100 * s.ripple, '%')}" if s.ripple else ""
        lines.append(
            f"starter: {{draw: {_q(s.draw_a, 'A')}, for: {_time(s.ticks / 10_000)}{inrush}{ripple}}}"
        )
    lines += [_source("alternator", like.alternator)] if like.alternator is not None else []
    lines += [_source("charger", like.charger)] if like.charger is not None else []
    return lines


def _rating(most_a: float) -> float:
    fitting = [rating for rating in blades.RATINGS[KIND] if rating >= ROOM * most_a]
    if not fitting:
        raise InputError(f"the recordings reach {most_a:.3g} A: no single fuse of type {KIND} bears that")
    return min((rating for rating in fitting if rating >= 10), default=min(fitting))


def _source(key: str, source: Source) -> str:
    on = ", on: no" if key == "charger" else ""
    parts = (
        f"voltage: {_q(source.volts, 'V')}, ohms: {_q(source.ohms, 'ohm')}, most: {_q(source.most_a, 'A')}"
    )
    return f"{key}: {{{parts}{on}}}"


def _q(value: float, unit: str) -> str:
    return f"{value:.6g} {unit}"


def _ma(value: float) -> str:
    return f"{max(value, 0.0):.6g} mA"


def _time(seconds: float) -> str:
    ticks = max(10, round(seconds * units.TICKS_PER_S))
    if ticks >= SECONDS:  # beyond a minute nobody knows a step to better than 10 ms
        ticks = round(ticks, -2)
    return (
        units.show(Fraction(ticks, units.TICKS_PER_S), "time")
        if ticks % 10_000 == 0
        else f"{ticks / 10:g} ms"
    )
