"""How hard a fault is to find, 0 .. 10, with its reasons and the points that each adds.

10 where no method names the fuse. Else the sum of: up to 5 for time, 5 log(t / 60 s) / log(class / 60 s), t
the time to fall asleep and of the quickest method that names the fuse, as many rounds as 95 % of searches
need, each as long as 95 % of its kind; 1 where MAX on a meter doesn't show it; 0.4 for each other method
that doesn't; 0.5 for random instants; 0.5 for twitches of the vehicle that are as large; 1 where the time is
more than a class has. What the instructor should know besides adds 0.
"""

from __future__ import annotations

import math

from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.finding.search import SearchBase
from nightdraw.profile.model import Random
from nightdraw.vehicle.model import BATTERY

MOST = 10.0
EASY_S = 60.0  # within a minute is no search
TIME_POINTS, MAX_POINTS, OTHER_POINTS = 5.0, 1.0, 0.4
RANDOM_POINTS, TWITCH_POINTS, LATE_POINTS = 0.5, 0.5, 1.0
MAX_ON_A_METER = "MAX on a meter"

Reasons = list[tuple[float, str]]
Side = tuple[float, list[Method]]


class Sided(SearchBase):
    """A search that knows which share of classes goes by which rows."""

    def sides(self) -> tuple[Side, Side]:
        """Those who wait for pulses, those who search by the steady current."""
        raise NotImplementedError


def difficulty(base: Sided, methods: list[Method]) -> tuple[float, list[str]]:
    """The figure, and its reasons with their points: where some classes search by the steady current and the
    others wait for pulses, of both in their shares; what rounds to no points is left out."""
    nothing = base.nothing()
    if nothing is not None:
        return MOST, _written([(MOST, nothing), *_notes(base, methods)])
    shares: dict[str, float] = {}
    sides = (
        [(share, rows) for share, rows in base.sides() if share] if base.followed < 1 else [(1.0, methods)]
    )
    for share, rows in sides:
        of = f"for {share:.0%} of classes " if len(sides) > 1 else ""
        for points, text in _points(base, rows):
            known = text if text in shares or not of else of + text
            shares[known] = shares.get(known, 0.0) + share * points
    reasons = [(round(points, 1), text) for text, points in shares.items() if round(points, 1)]
    total = min(MOST, round(sum(points for points, _ in reasons), 1))
    return total, _written([*reasons, *_notes(base, methods)])


def _points(base: SearchBase, methods: list[Method]) -> Reasons:
    """The reasons of one side."""
    naming = [m for m in methods if m.shows and m.isolates and m.isolates.startswith("fuse")]
    if not naming:
        return [(MOST, "no method names the fuse with these instruments")]
    best = min(naming, key=lambda m: m.hardest_s)
    return [*_timely(base, best), *_hidden(methods), *_unsteady(base, best)]


def _written(reasons: Reasons) -> list[str]:
    return [f"{points:.1f}: {text}" for points, text in reasons]


def _timely(base: SearchBase, best: Method) -> Reasons:
    sleep_s = base.site.sleep_s()
    total_s, class_s = sleep_s + best.hardest_s, max(2 * EASY_S, base.assumed.class_s)
    share = math.log(max(total_s, EASY_S) / EASY_S) / math.log(class_s / EASY_S)
    reason = (
        f"the quickest way to the fuse, {best.method}, takes {minutes(best.hardest_s)} where all its waits"
        f" are long ones, and the vehicle {minutes(sleep_s)} to fall asleep"
    )
    found = [(round(TIME_POINTS * min(1.0, share), 1), reason)]
    if total_s > class_s:
        found.append((LATE_POINTS, f"that is more than the {minutes(class_s)} of a class"))
    return found


def _hidden(methods: list[Method]) -> Reasons:
    found: Reasons = []
    for method in methods:
        if not method.shows and not method.extra:
            points = MAX_POINTS if method.method == MAX_ON_A_METER else OTHER_POINTS
            found.append((points, f"{method.method} doesn't show it"))
    return found


def _unsteady(base: SearchBase, best: Method) -> Reasons:
    found: Reasons = []
    pulsed = [signature for signature in base.signatures if signature.pulsed]
    if any(isinstance(draw, Random) for draw in base.profile.draws):
        found.append((RANDOM_POINTS, "its instants are random: there is no period to recognise"))
    alike = [name for signature in pulsed for name in base.site.alike(signature)]
    if alike:
        found.append((TWITCH_POINTS, f"the vehicle's own twitches can be taken for it: {', '.join(alike)}"))
    return found


def _notes(base: SearchBase, methods: list[Method]) -> Reasons:
    """What adds nothing to the figure, but the instructor should know."""
    found: Reasons = []
    for part in base.parts:
        if part.weak:
            reason = "too weak to matter: nobody waits for it beside the strongest"
            found.append((0.0, f"{part.name}, {1000 * part.draw_a:.3g} mA, is {reason}"))
        if part.once and len(base.parts) > 2:
            found.append((0.0, f"{part.name} comes once, from the run's start, and is left out of the whole"))
    fed = base.site.circuit.fed
    if fed:
        reason = f"the {' and the '.join(fed)} feeds the vehicle: of its pulses the battery's cable carries"
        for signature in base.signatures:
            size_a = base.site.currents(signature, BATTERY).size
            if signature.pulsed:
                found.append((0.0, f"{reason} {size_a * 1000:.3g} mA of {signature.amps * 1000:.3g} mA"))
    ends_s, limit = base.site.ends()
    late = [m.method for m in methods if m.time is not None and m.time.p95_s > ends_s]
    if late:
        reason = f"the box stops {minutes(ends_s)} after its start by its {limit} limit"
        found.append((0.0, f"{reason}, before all searches have ended by: {', '.join(late)}"))
    return found
