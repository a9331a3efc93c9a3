"""Rows of several parts as the row of the whole: some classes search by the steady current, others
wait for pulses.

Nothing is weighed here; what a row says of one part stays as it is.
"""

from __future__ import annotations

import math
from dataclasses import replace

from nightdraw.bench.finding.laws import QUANTILE
from nightdraw.bench.finding.method import Method
from nightdraw.bench.finding.trials import Times


def sooner(rows: list[Method]) -> Method:
    """The row that ends sooner, of those that show; the first where none does."""
    return min((row for row in rows if row.shows), key=lambda row: row.hardest_s, default=rows[0])


def mixed(waits: Method, follows: Method, share: float, stays_ma: float, seed: int) -> Method:
    """A method's row: a share of classes goes by the steady current (`follows`), others don't (`waits`)."""
    if share == 0 or follows is waits or not follows.shows:
        return waits
    if share == 1:
        return follows
    followed = f"{share:.0%} of classes search by the steady current of {stays_ma:.3g} mA: {follows.why}"
    if not waits.shows:
        row = follows if share >= QUANTILE else waits
        return replace(row, why=f"{waits.why}; {followed}")
    assert waits.time is not None
    assert follows.time is not None
    times = _mixture(waits.time, follows.time, share, seed)
    odds: dict[str, float] = {
        key: round(times.wrong, 4) for key in ("wrong_fuse", "lost") if key in waits.more
    }
    in_run = (1 - share) * waits.more["in_run"] + share * follows.more["in_run"]
    return replace(
        waits,
        why=f"{waits.why}; {followed}",
        time=times,
        closed=None,
        law=None,
        hardest_s=(1 - share) * waits.hardest_s + share * follows.hardest_s,
        more={**waits.more, **odds, "seen_by": "either", "in_run": round(in_run, 4)},
    )


def _mixture(waits: Times, follows: Times, share: float, seed: int) -> Times:
    """As many of either's trials as its share has, drawn evenly from all of each."""
    import numpy as np

    count = min(len(waits.taken_s), len(follows.taken_s))
    random = np.random.default_rng([seed, count])
    chosen = random.permutation(count) < math.floor(share * count + 0.5)
    taken = np.where(chosen, follows.taken_s[:count], waits.taken_s[:count])
    return Times(taken, (1 - share) * waits.wrong + share * follows.wrong)
