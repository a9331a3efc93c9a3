"""How hard a fault is to find, 0 .. 10, with its reasons and the points that each adds.

10 where no method names the fuse. Else the sum of: up to 5 for time, 5 log(t / 60 s) / log(7200 s / 60 s), t
the time to fall asleep and of the quickest method that names the fuse, as many rounds as 95 % of searches
need, each as long as 95 % of its kind; 1 where MAX on a meter doesn't show it; 0.4 for each other method
that doesn't; 0.5 for random instants; 0.5 for twitches of the vehicle that are as large; 1 where the time is
more than a class has. What the instructor should know besides adds 0.
"""

from __future__ import annotations

import math

from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.finding.search import Ground
from nightdraw.profile.model import Random
from nightdraw.vehicle.model import BATTERY

MOST = 10.0
HARD_S, EASY_S = 7200.0, 60.0  # a class has an hour or two; within a minute is no search
TIME_POINTS, MAX_POINTS, OTHER_POINTS = 5.0, 1.0, 0.4
RANDOM_POINTS, TWITCH_POINTS, LATE_POINTS = 0.5, 0.5, 1.0
MAX_ON_A_METER = "MAX on a meter"

Reasons = list[tuple[float, str]]


def difficulty(ground: Ground, methods: list[Method]) -> tuple[float, list[str]]:
    """The figure, and its reasons with their points."""
    nothing = ground.nothing()
    naming = [m for m in methods if m.shows and m.isolates and m.isolates.startswith("fuse")]
    if nothing is not None or not naming:
        why = "no method names the fuse with these instruments" if nothing is None else nothing
        return MOST, _written([(MOST, why), *_notes(ground, methods)])
    best = min(naming, key=lambda m: m.hardest_s)
    reasons = [*_timely(ground, best), *_hidden(methods), *_unsteady(ground, best)]
    total = round(sum(points for points, _ in reasons), 1)
    return total, _written([*reasons, *_notes(ground, methods)])


def _written(reasons: Reasons) -> list[str]:
    return [f"{points:.1f}: {text}" for points, text in reasons]


def _timely(ground: Ground, best: Method) -> Reasons:
    sleep_s = ground.site.sleep_s()
    total_s = sleep_s + best.hardest_s
    share = math.log(max(total_s, EASY_S) / EASY_S) / math.log(HARD_S / EASY_S)
    said = (
        f"the quickest way to the fuse, {best.method}, takes {minutes(best.hardest_s)} where all its waits"
        f" are long ones, and the vehicle {minutes(sleep_s)} to fall asleep"
    )
    found = [(round(TIME_POINTS * min(1.0, share), 1), said)]
    if total_s > HARD_S:
        found.append((LATE_POINTS, f"that is more than the {minutes(HARD_S)} of a class"))
    return found


def _hidden(methods: list[Method]) -> Reasons:
    found: Reasons = []
    for method in methods:
        if not method.shows and not method.extra:
            points = MAX_POINTS if method.method == MAX_ON_A_METER else OTHER_POINTS
            found.append((points, f"{method.method} doesn't show it"))
    return found


def _unsteady(ground: Ground, best: Method) -> Reasons:
    found: Reasons = []
    pulsed = [face for face in ground.faces if face.pulsed]
    if any(isinstance(draw, Random) for draw in ground.profile.draws):
        found.append((RANDOM_POINTS, "its instants are random: there is no period to recognise"))
    alike = [name for face in pulsed for name in ground.site.alike(face)]
    if alike:
        found.append((TWITCH_POINTS, f"the vehicle's own twitches can be taken for it: {', '.join(alike)}"))
    return found


def _notes(ground: Ground, methods: list[Method]) -> Reasons:
    """What adds nothing to the figure, but the instructor should know."""
    found: Reasons = []
    fed = ground.site.circuit.fed
    if fed:
        said = f"the {' and the '.join(fed)} feeds the vehicle: of its pulses the battery's cable carries"
        for face in ground.faces:
            size_a = ground.site.currents(face, BATTERY).size
            if face.pulsed:
                found.append((0.0, f"{said} {size_a * 1000:.3g} mA of {face.amps * 1000:.3g} mA"))
    ends_s, limit = ground.site.ends()
    late = [m.method for m in methods if m.time is not None and m.time.p95_s > ends_s]
    if late:
        said = f"the box stops {minutes(ends_s)} after its start by its {limit} limit"
        found.append((0.0, f"{said}, before all searches have ended by: {', '.join(late)}"))
    return found
