"""A fault taken apart: what stays, each pulse, each random draw, each replay by itself, and who hides whom.

Each part is a signature of its own; the whole is what a class meets that waits for the strong pulses
together, or follows up what stays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from nightdraw.bench.finding import train
from nightdraw.bench.finding.place import Site
from nightdraw.bench.finding.train import Signature
from nightdraw.instruments.assumed import Assumed
from nightdraw.profile.model import Draw, Replay, Steady

STEADY = "steady"


@dataclass(frozen=True, eq=False)
class FaultPart:
    """One part of a fault. draw: None of what stays.

    weak: less than the share of the strongest part that one waits for; once: it ends and doesn't come again;
    hides: the parts that are weak beside it.
    """

    name: str
    kind: str
    draw_a: float
    weak: bool
    once: bool
    hides: tuple[str, ...]
    draw: Draw | None

    def document(self) -> dict[str, Any]:
        """The JSON keys that need no search."""
        return {
            "part": self.name,
            "kind": self.kind,
            "draw_ma": round(1000 * self.draw_a, 3),
            "weak": self.weak,
            "once": self.once,
            "hides": list(self.hides),
        }


def of(site: Site, assumed: Assumed) -> list[FaultPart]:
    """The parts: first what stays, the box's own consumption in it, then each draw that moves, as written."""
    train.check(site.profile)
    moving = [draw for draw in site.profile.draws if not isinstance(draw, Steady)]
    swings = {id(draw): train.swing_ua(draw) / 1e6 for draw in moving}
    names = {id(draw): f"{draw.kind} {k + 1}" for k, draw in enumerate(moving)}
    found = [FaultPart(STEADY, STEADY, site.base_a(), False, False, (), None)]
    strongest_a = max(swings.values(), default=0.0)
    for draw in moving:
        own_a = swings[id(draw)]
        hides = tuple(names[id(other)] for other in moving if swings[id(other)] < assumed.weak * own_a)
        once = isinstance(draw, Replay) and bool(draw.repeat)
        weak = own_a < assumed.weak * strongest_a
        found.append(FaultPart(names[id(draw)], draw.kind, own_a, weak, once, hides, draw))
    return found


def stays(site: Site) -> Signature:
    """What stays between pulses, as the bank makes it here."""
    return Signature(site.made_a(site.base_a()), math.inf, None)


def on_share(signature: Signature | None) -> float:
    """The share of the time that a signature is there; of what comes once none."""
    if signature is None or (signature.train is not None and not signature.train.lasting):
        return 0.0
    return 1.0 if signature.train is None else signature.train.on_share


def signatures(site: Site, assumed: Assumed, pulses: Sequence[Signature]) -> list[Signature]:
    """The ways in which the fault as a whole shows: its strong pulses together (train.pulses), and what stays
    (of pulses that are dense their mean) where the vehicle's draw is then no longer a healthy one's."""
    found = [site.made(signature) for signature in pulses]
    dense = any(signature.train is not None and signature.train.dense for signature in pulses)
    base_a = site.mean_a() if dense else site.base_a()
    if base_a + site.own_a() > assumed.healthy_a:
        found.append(Signature(base_a, math.inf, None) if dense else stays(site))
    return found
