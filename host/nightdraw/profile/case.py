"""The case that a student reckons with: the customer's battery, the vehicle's own draw, how long it stood.

The time is the one that the complaint says in words; whether battery and draws lead to it is checked here.
The engine no longer starts at half of what capacity the battery has left (common practice, as in figures).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction

from nightdraw import units
from nightdraw.profile.figures import NO_START_PCT, figures
from nightdraw.profile.model import Case, Profile

AGE = re.compile(r"([1-9][0-9]?) years?")
HOURS_A_DAY = 24
# How far time and figures may part: what a student rounds; with no case stated the battery may be any.
NEAR, ANY_BATTERY = 1.5, 3.0

_NUMBERS = {
    word: number
    for number, words in enumerate(
        (
            (), ("a", "an", "one"), ("two",), ("three",), ("four",), ("five",), ("six",), ("seven",),
            ("eight",), ("nine",), ("ten",), ("eleven",), ("twelve",),
        )
    )
    for word in words
}  # fmt: skip
_UNITS = {"hour": 1 / 24, "night": 1.0, "day": 1.0, "week": 7.0, "month": 30.4}
_SOME = (2, 6)  # what "some" or "several" is, of days or weeks
_NUMBER = rf"\d+|{'|'.join(_NUMBERS)}"
_TIME = re.compile(
    rf"\b(?:(?P<low>{_NUMBER})(?: or | to | \.\. |-)(?P<high>{_NUMBER})"
    rf"|(?P<one>{_NUMBER})|(?P<some>some|several|a few))"
    rf" (?P<unit>{'|'.join(_UNITS)})s?\b"
)
# what has no number in it: days, at least and at most
_PHRASES = (
    (re.compile(r"\blong weekend\b"), (3.0, 4.0)),
    (re.compile(r"(?<!long )\bweekend\b"), (2.0, 3.0)),
    (re.compile(r"\bfortnight\b"), (14.0, 14.0)),
    (re.compile(r"\bevery other week\b"), (14.0, 14.0)),
    (re.compile(r"\bovernight\b"), (0.4, 0.8)),
)


def age_years(text: str) -> int:
    """The years of `5 years`; raises ValueError."""
    match = AGE.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{units.shown(text)} is no age like 5 years")
    return int(match[1])


def days(profile: Profile) -> float | None:
    """Days from the case's charge to where the engine no longer starts; None: never. Without a case a full
    battery of the usual size, as `profile figures` has it."""
    result, case = figures(profile), profile.case
    if case is None:
        return result.days_to_no_start
    drain_a = case.own_a + Fraction(result.mean_ma) / 1000
    return float(usable_ah(case) / (drain_a * HOURS_A_DAY)) if drain_a else None


def usable_ah(case: Case) -> Fraction:
    """What the case's battery gives from its charge down to where the engine no longer starts."""
    return case.battery_ah * case.left_pct / 100 * (case.charge_pct - NO_START_PCT) / 100


def text(case: Case) -> str:
    """The case for a student, in one sentence or two."""
    age = f", {case.age_years} year{'s' * (case.age_years != 1)} old" if case.age_years else ""
    left = f" that has {_pct(case.left_pct)} of its capacity left" if case.left_pct < 100 else ""
    return (
        f"The battery is one of {units.show(case.battery_ah, 'charge')}{age}{left}; it was charged to"
        f" {_pct(case.charge_pct)} when the vehicle was parked. Healthy and asleep, the vehicle draws"
        f" {units.show(case.own_a, 'current')}."
    )


def _pct(value: Fraction) -> str:
    return units.show(value, "percent")


def stated_days(complaint: str) -> tuple[float, float] | None:
    """The shortest and the longest time that a complaint says, days; None where it says none."""
    found = list(_spans(" ".join(complaint.lower().split())))
    return (min(low for low, _ in found), max(high for _, high in found)) if found else None


def _spans(said: str) -> Iterator[tuple[float, float]]:
    for phrase, span in _PHRASES:
        if phrase.search(said):
            yield span
    for match in _TIME.finditer(said):
        if match["some"]:
            low, high = map(float, _SOME)
        else:
            low = _number(match["low"] or match["one"])
            high = _number(match["high"] or match["one"])
        yield low * _UNITS[match["unit"]], high * _UNITS[match["unit"]]


def _number(word: str) -> float:
    return float(word) if word.isdigit() else float(_NUMBERS[word])


def parts(profile: Profile) -> str | None:
    """How complaint and figures part, in words; None where they agree or the complaint says no time."""
    stated = stated_days(profile.complaint)
    if stated is None:
        return None
    takes = days(profile)
    factor = ANY_BATTERY if profile.case is None else NEAR
    if takes is not None and stated[0] / factor <= takes <= stated[1] * factor:
        return None
    says = f"{stated[0]:.3g}" if stated[0] == stated[1] else f"{stated[0]:.3g} .. {stated[1]:.3g}"
    whose = "a full battery of 60 Ah" if profile.case is None else "the case's battery and own draw"
    comes = "the engine always starts" if takes is None else f"it takes {takes:.3g} d"
    return f"the complaint says {says} d; with {whose} {comes}: change the complaint, the case or the draws"
