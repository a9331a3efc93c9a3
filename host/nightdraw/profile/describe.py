"""A profile's parts in words for people: each draw, the start rule, the resume rule, the limits."""

from __future__ import annotations

from boxcore import program as pg

from nightdraw.profile.model import Draw, Limits, Profile, Pulse, Random, Replay
from nightdraw.profile.quantities import show_ticks, show_ua
from nightdraw.report.words import Words

MAX_LEVELS_SHOWN = 6
FIRST_LIGHT_S = 1.0  # power to first edge: 0.65 to 0.89 s on the emulated board; never measured on a real one
# What a pulse of a random draw takes a box that passes it unseen, to find its place (emulated board).
SEEK_S = {"uniform": 0.0006, "exponential": 0.006}
TOLD_SEEK_S = 0.1  # less than this for each hour isn't worth a word
HOUR_TICKS = 3600 * pg.TICKS_PER_S


def draw_text(draw: Draw, words: Words) -> str:
    """One draw in a sentence without a verb."""
    if isinstance(draw, Pulse):
        text = words(
            "draw.pulse",
            level=show_ua(draw.draw_ua), on=show_ticks(draw.on_ticks), every=show_ticks(draw.every_ticks),
        )  # fmt: skip
        first = words("draw.first", first=show_ticks(draw.first_ticks)) if draw.first_ticks else ""
        return text + first
    if isinstance(draw, Random):
        gap = words(f"draw.gap.{draw.law}", gap=_span(draw.gap_ticks))
        return words("draw.random", level=show_ua(draw.draw_ua), on=_span(draw.on_ticks), gap=gap)
    if isinstance(draw, Replay):
        return words("draw.replay", levels=_levels(draw, words), repeat=_repeat(draw.repeat, words))
    return words("draw.steady", level=show_ua(draw.draw_ua))


def _span(ticks: tuple[int, int]) -> str:
    low, high = ticks
    return show_ticks(low) if low == high else f"{show_ticks(low)} .. {show_ticks(high)}"


def _levels(draw: Replay, words: Words) -> str:
    shown = [
        words("draw.level", level=show_ua(level), time=show_ticks(ticks))
        for level, ticks in draw.levels[:MAX_LEVELS_SHOWN]
    ]
    rest = len(draw.levels) - len(shown)
    return ", ".join(shown) + (words("draw.more", count=rest) if rest else "")


def _repeat(repeat: int, words: Words) -> str:
    if repeat == pg.FOREVER:
        return words("draw.forever")
    return words("draw.once") if repeat == 1 else words("draw.times", count=repeat)


def start_text(profile: Profile, words: Words) -> str:
    """When a run begins."""
    start = profile.start
    values = {
        "power": {"most": f"{FIRST_LIGHT_S:g} s"},
        "panel": {},
        "supply-rest": {
            "below": f"{start.below_mv / 1000:g} V",
            "steady": show_ticks(start.steady_ticks),
        },
    }[start.when]
    after = words("run.after", after=show_ticks(start.after_ticks)) if start.after_ticks else ""
    return words(f"run.start.{start.when}", **values) + after


def resume_text(profile: Profile, words: Words) -> str:
    """What happens when the power comes back."""
    text = words(f"run.resume.{profile.resume}")
    if profile.resume == "stay-off":
        return text
    quiet = profile.resume_after_ticks
    return text + (words("run.quiet", quiet=show_ticks(quiet)) if quiet else "") + _seeking(profile, words)


def _seeking(profile: Profile, words: Words) -> str:
    """What finding its place takes a run that goes on: its random draws are followed from their beginning."""
    seek_s = sum(
        float(HOUR_TICKS * draw.pulses_per_tick()) * SEEK_S[draw.law]
        for draw in profile.draws
        if isinstance(draw, Random)
    )
    if profile.resume != "continue" or seek_s < TOLD_SEEK_S:
        return ""
    return words("run.seeking", time=f"{seek_s:.1f} s")


def limits_text(held: Limits, words: Words) -> str:
    """The limits that hold, the board's own caps counted."""
    return words(
        "run.limits",
        time=show_ticks(held.run_ticks),
        charge=f"{held.charge_mas / 3_600_000:g} Ah",
        low=f"{held.supply_min_mv / 1000:g} V",
        high=f"{held.supply_max_mv / 1000:g} V",
        hot=f"{held.bank_temp_cdeg / 100:g} C",
    )
