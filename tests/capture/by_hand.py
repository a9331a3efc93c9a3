"""The capture's tables put together by hand, so that one function can be asked alone: an account, a journal,
what was seen of its levels, a view, a recording's structure. Nothing is measured here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from nightdraw.capture import seen as sn
from nightdraw.capture.accounts import Account, Edges
from nightdraw.capture.align import Piece
from nightdraw.capture.journal import NOTHING_LOST, Did
from nightdraw.capture.observed import Observed
from nightdraw.capture.place import Clock
from nightdraw.capture.view import Prior, View, reference_of

Floats = sn.Floats

OWN_MA = 11.0
BASE_MA, HIGH_MA = 30.0, 90.0  # of pulses
CHANNELS_NS = (800_000, 3_000_000, 12_000_000, 40_000_000)  # 10, 38, 151 and 504 mA at 12.6 V
SUPPLY_MV = 12_600.0
START = Clock(0.0, 0.0, 9, 0.0, 0)  # the recording begins with the run


def account_of(
    levels: Sequence[float] | Floats, lasting_s: Sequence[float] | Floats, idle_ma: float
) -> Account:
    """Levels (mA) that last so long (s) each, from zero on."""
    ends = np.cumsum(lasting_s)
    return Account(np.append(0.0, ends[:-1]), np.array(levels, dtype=float), float(ends[-1]), idle_ma)


def random_account(rng: np.random.Generator, pulses: int, grid_s: float = 1e-3) -> Account:
    """Pulses of some heights above a base, all instants on a grid."""
    levels = [30.0]
    for _ in range(pulses):
        levels += [float(rng.choice([60.0, 150.0, 400.0])), 30.0]
    lasting_s = rng.integers(40, 400, len(levels)) * grid_s
    return account_of(levels, lasting_s, 30.0)


def did_of_patterns(
    pattern: Sequence[int],
    lasting_s: Sequence[float] | Floats,
    supply_mv: Sequence[float] | Floats | float = SUPPLY_MV,
    channels_ns: tuple[int, ...] = CHANNELS_NS,
) -> Did:
    """A journal whose levels are what the patterns' channels draw by Ohm's law, the box's own besides."""
    patterns = np.array(pattern, dtype=np.int64)
    supply = np.broadcast_to(np.asarray(supply_mv, dtype=float), len(patterns)).copy()
    ns = np.array([sum(ns for k, ns in enumerate(channels_ns) if p >> k & 1) for p in pattern], dtype=float)
    account = account_of(OWN_MA + ns * 1e-9 * supply, lasting_s, OWN_MA)
    return Did(account, patterns, supply, OWN_MA, channels_ns, "p", 1, 1, (), (), NOTHING_LOST)


def observed_of(account: Account, edge_ma: Floats | None = None, **others: object) -> Observed:
    """All of it seen, as it should be but for edge_ma; others: columns that differ from that."""
    count = len(account.t_s)
    zero = np.zeros(count)
    nothing = np.empty(0)
    plain = Observed(
        account=account,
        train=account.train(),
        base=account.is_base(),
        edge_ma=zero if edge_ma is None else edge_ma,
        edge_var=np.full(count, 0.01),
        systematic_ma=zero,
        ahead_ma=zero,
        late_s=zero,
        late_u_s=np.full(count, 1e-4),
        reach_s=np.full(count, 4e-3),
        whole_ma=zero,
        whole_var=np.full(count, 0.01),
        count=np.full(count, 100.0),
        clear=np.ones(count, dtype=bool),
        beside=(nothing, nothing, nothing),
        sigma_ma=0.3,
        interval_s=1e-3,
        tau_s=0.0,
        digit_ma=0.0,
    )
    return replace(plain, **others)  # type: ignore[arg-type]


NO_EDGES = Edges(*(np.empty(0) for _ in range(5)))


def view_of(
    did: Did | None,
    observed: Observed,
    prior: Prior | None = None,
    gain: float = 1.0,
    asked: Account | None = None,
    edges: Edges = NO_EDGES,
    clock: Clock = START,
) -> View:
    """A piece that holds all of the run, against the journal, or what was asked."""
    whole = did.account if did is not None else asked
    assert whole is not None
    piece = Piece(clock, -1.0, whole.end_s + 1.0, float(whole.t_s[0]), float(whole.t_s[-1]))
    return View(reference_of(asked, did), observed, edges, piece, prior or Prior(), gain)


@dataclass(frozen=True)
class Change:
    """An edge of a recording: instant (s), the levels beside it (mA)."""

    at_s: float
    before: float
    after: float


def seen_of(
    changes: Sequence[Change],
    end_s: float,
    gaps: Sequence[tuple[float, float]] = (),
    interval_s: float = 1e-3,
    noise: float = 0.3,
) -> sn.Seen:
    """A recording's structure with these edges, each settled a sample before and after, and no events."""
    at_s = np.array([change.at_s for change in changes])
    before, after = (
        np.array([getattr(c, name) for c in changes], dtype=float) for name in ("before", "after")
    )
    u = np.full(len(changes), noise / 3)
    edges = sn.Edges(at_s, u * 1e-4, before, u, after, u, at_s - interval_s, at_s + interval_s)
    nothing, none = np.empty(0), np.empty(0, dtype=np.int64)
    events = sn.Events(none, none, none, *(nothing for _ in range(7)), none, none)
    return sn.Seen(
        name="r",
        channel="c",
        unit="mA",
        samples=round(end_s / interval_s),
        start_s=0.0,
        end_s=end_s,
        interval_s=interval_s,
        noise=noise,
        wander=0.0,
        mean=0.0,
        z=5.0,
        least_change=0.0,
        time_constant_s=0.0,
        edges=edges,
        base=sn.Base(nothing, nothing, nothing),
        events=events,
        parts=sn.Parts(nothing, nothing, nothing, nothing),
        unjudged=tuple(sn.Span(*gap, sn.GAP) for gap in gaps),
    )


def train(pulses: int, high_ma: float = HIGH_MA) -> Account:
    """Pulses of a second, 4 s apart, the first at 3 s."""
    levels = [BASE_MA, *[high_ma, BASE_MA] * pulses]
    return account_of(levels, [3.0, *[1.0, 3.0] * pulses], BASE_MA)


def edges_of(account: Account, late_s: Floats | float = 0.0, height: Floats | None = None) -> Edges:
    """The account's own edges as a recording shows them, those without a height left out."""
    step = account.step_ma if height is None else height
    at_s = account.t_s + late_s
    zero = np.zeros(len(step))
    seen = Edges(at_s, zero + 1e-4, account.before_ma, account.before_ma + step, zero + 0.1)
    return seen.take(np.abs(step) > 1e-9).take(np.argsort(at_s[np.abs(step) > 1e-9], kind="stable"))
