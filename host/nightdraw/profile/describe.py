"""A profile's parts in words for people: each draw, the start rule, the resume rule, the limits."""

from __future__ import annotations

from boxcore import program as pg

from nightdraw.profile.model import Draw, Limits, Profile, Pulse, Random, Replay
from nightdraw.profile.quantities import show_ticks, show_ua

MAX_LEVELS_SHOWN = 6
FIRST_LIGHT_S = 1.0  # power to first edge: 0.72 to 0.99 s on the emulated board; never measured on a real one
# What a pulse of a random draw takes a box that passes it unseen, to find its place (emulated board).
SEEK_S = {"uniform": 0.0006, "exponential": 0.006}
TOLD_SEEK_S = 0.1  # less than this for each hour isn't worth a word
HOUR_TICKS = 3600 * pg.TICKS_PER_S


def draw_text(draw: Draw) -> str:
    """One draw in a sentence without a verb."""
    if isinstance(draw, Pulse):
        first = f", the first after {show_ticks(draw.first_ticks)}" if draw.first_ticks else ""
        every = f"every {show_ticks(draw.every_ticks)} from start to start"
        return f"pulses of {show_ua(draw.draw_ua)} for {show_ticks(draw.on_ticks)}, {every}{first}"
    if isinstance(draw, Random):
        return f"pulses of {show_ua(draw.draw_ua)} for {_span(draw.on_ticks)}, {_gap(draw)}"
    if isinstance(draw, Replay):
        return f"levels {_levels(draw)}, {_repeat(draw.repeat)}"
    return f"steady {show_ua(draw.draw_ua)}"


def _span(ticks: tuple[int, int]) -> str:
    low, high = ticks
    return show_ticks(low) if low == high else f"{show_ticks(low)} .. {show_ticks(high)}"


def _gap(draw: Random) -> str:
    if draw.law == "exponential":
        return f"random gaps of {show_ticks(draw.gap_ticks[0])} on average (exponential)"
    return f"random gaps of {_span(draw.gap_ticks)} (uniform)"


def _levels(draw: Replay) -> str:
    shown = [f"{show_ua(level)} for {show_ticks(ticks)}" for level, ticks in draw.levels[:MAX_LEVELS_SHOWN]]
    rest = len(draw.levels) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest else "")


def _repeat(repeat: int) -> str:
    if repeat == pg.FOREVER:
        return "over and over"
    return "once" if repeat == 1 else f"{repeat} times"


def start_text(profile: Profile) -> str:
    """When a run begins."""
    start = profile.start
    when = {
        "power": f"as soon as the supply is there, {FIRST_LIGHT_S:g} s at most for the box's own start",
        "panel": "when the arm switch is thrown",
        "supply-rest": f"when the supply has stayed below {start.below_mv / 1000:g} V"
        f" for {show_ticks(start.steady_ticks)}",
    }[start.when]
    after = f", {show_ticks(start.after_ticks)} later" if start.after_ticks else ""
    return f"starts {when}{after}"


def resume_text(profile: Profile) -> str:
    """What happens when the power comes back."""
    if profile.resume == "stay-off":
        return "after a power loss (a pulled fuse): stays off"
    quiet = f" after {show_ticks(profile.resume_after_ticks)} of quiet" if profile.resume_after_ticks else ""
    how = {"restart": "starts over", "continue": "goes on from the last record that was saved"}
    return f"after a power loss (a pulled fuse): {how[profile.resume]}{quiet}{_seeking(profile)}"


def _seeking(profile: Profile) -> str:
    """What finding its place takes a run that goes on: its random draws are followed from their beginning."""
    seek_s = sum(
        float(HOUR_TICKS * draw.pulses_per_tick()) * SEEK_S[draw.law]
        for draw in profile.draws
        if isinstance(draw, Random)
    )
    if profile.resume != "continue" or seek_s < TOLD_SEEK_S:
        return ""
    return f", {seek_s:.1f} s later for each hour that it has run, to find its place among random gaps"


def limits_text(held: Limits) -> str:
    """The limits that hold, the board's own caps counted."""
    return (
        f"stops after {show_ticks(held.run_ticks)} or {held.charge_mas / 3_600_000:g} Ah, holds off outside"
        f" {held.supply_min_mv / 1000:g} V .. {held.supply_max_mv / 1000:g} V,"
        f" trips above {held.bank_temp_cdeg / 100:g} C"
    )
