"""The case that a student calculates with: the customer's battery, the vehicle's own draw, how long it stood.

The time is the one that the complaint says in words; whether battery and draws lead to it is checked here.
The engine no longer starts at half of what capacity the battery has left (common practice, as in figures).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from fractions import Fraction

from nightdraw import units
from nightdraw.profile.figures import NO_START_PCT, figures
from nightdraw.profile.model import Case, Profile

AGE = re.compile(r"([1-9][0-9]?) years?")
HOURS_A_DAY = 24
# How far time and figures may part: what a student rounds; with no case stated the battery may be any.
NEAR, ANY_BATTERY = 1.5, 3.0

_ONES = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = (
    "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen",
    "nineteen",
)  # fmt: skip
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_NUMBERS = {
    "a": 1, "an": 1, "half a": 0.5, "half an": 0.5, "every other": 2, "every second": 2,
    **{word: k for k, word in enumerate((*_ONES, *_TEENS), start=1)},
    **{word: 10 * k for k, word in enumerate(_TENS, start=2)},
    **{
        f"{ten}{join}{one}": 10 * k + n
        for k, ten in enumerate(_TENS, start=2)
        for n, one in enumerate(_ONES, start=1)
        for join in " -"
    },
}  # fmt: skip
_UNITS = {
    "hours": 1 / 24, "hour": 1 / 24, "hrs": 1 / 24, "hr": 1 / 24, "h": 1 / 24, "nights": 1.0, "night": 1.0,
    "days": 1.0, "day": 1.0, "d": 1.0, "weeks": 7.0, "week": 7.0, "months": 30.4, "month": 30.4,
}  # fmt: skip
_SOME = {  # of days or weeks, at least and at most
    "some": (2.0, 6.0), "several": (2.0, 6.0), "a few": (2.0, 6.0), "few": (2.0, 6.0),
    "a couple of": (2.0, 3.0), "a couple": (2.0, 3.0),
}  # fmt: skip


def _any(words: Iterable[str]) -> str:
    """Any of some words, the longest first: what begins with another one is not cut short."""
    return "|".join(sorted(map(re.escape, words), key=len, reverse=True))


_NUMBER = rf"(?:\d+(?:[.,]\d+)?|{_any(_NUMBERS)})(?: and a half)?"
_UNIT = rf"(?:whole |full |entire |good |long )?(?P<unit>{_any(_UNITS)})(?![\w-]*\w)"
_BETWEEN = r"(?: or | to | till | and | ?\.\. ?| [-\u2013] |(?<=\d)[-\u2013])"
_OR_MORE = rf" or (?P<more>{_NUMBER})(?! \w*(?:{_any(_UNITS)})\b)"  # a day or two
# "for the last two months" is how long it has been going on, "two months old" or "ago" no standing at all
_TIME = re.compile(
    r"(?<![\w.,-])(?<!last )(?<!past )"
    rf"(?:(?:between )?(?P<low>{_NUMBER}){_BETWEEN}(?P<high>{_NUMBER})"
    rf"|(?P<one>{_NUMBER})|(?P<some>{_any(_SOME)}))"
    rf"(?:[ -]|(?<=\d)){_UNIT}(?:{_OR_MORE}|(?P<half> and a half))?(?! ago| old)"
)
# so often in a time: it stands as long as lies between
_OFTEN = re.compile(rf"\b(?P<count>once|twice|(?:{_NUMBER}) times) (?:a|per|each|every) {_UNIT}")
_COUNTS = {"once": 1.0, "twice": 2.0}
# what has no number in it: days, at least and at most
_PHRASES = (
    (re.compile(r"\blong week-?end\b"), (3.0, 4.0)),
    (re.compile(r"(?<!long )\bweek-?end"), (2.0, 3.0)),
    (re.compile(r"\bfortnight"), (14.0, 14.0)),
    (re.compile(r"\b(?:every|each) week\b"), (7.0, 7.0)),
    (re.compile(r"\bover ?night\b|\b(?:next|every|each|following) morning\b"), (0.4, 0.8)),
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


def _spans(complaint: str) -> Iterator[tuple[float, float]]:
    for phrase, span in _PHRASES:
        if phrase.search(complaint):
            yield span
    for match in _OFTEN.finditer(complaint):
        count = _COUNTS.get(match["count"]) or _number(match["count"].removesuffix(" times"))
        yield (_UNITS[match["unit"]] / count,) * 2
    for match in _TIME.finditer(_OFTEN.sub("", complaint)):
        if match["some"]:
            low, high = _SOME[match["some"]]
        else:
            low = _number(match["low"] or match["one"]) + 0.5 * bool(match["half"])
            high = _number(match["high"] or match["more"] or match["one"]) + 0.5 * bool(match["half"])
        yield low * _UNITS[match["unit"]], high * _UNITS[match["unit"]]


def _number(word: str) -> float:
    plain = word.removesuffix(" and a half")
    whole = float(_NUMBERS[plain]) if plain in _NUMBERS else float(plain.replace(",", "."))
    return whole + 0.5 * (plain != word)


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
