"""Pulling fuses: fuse after fuse, until the fault stops, and the right one put back to see it again.

A meter that watches is put in line first; the fault is seen once to begin with. Then fuse after fuse in any
order: the time to pull it, the time until what this woke sleeps again (fuses stay out, what they feed no
longer wakes), and the wait for one pulse, which rules the fuse out. Where the patience ends first the fuse
is blamed, put back, and the fault waited for once more, from when the box has come back by its resume rule
and all sleeps.

The patience is chosen so that a wrong fuse is blamed in at most a share m of searches (5 %), wherever the
right one is: with n fuses at most n - 1 wrong ones are watched, so a watch lasts as long as all but a share
of m / (n - 1) of the waits for one pulse (Bonferroni); where there is a longest wait, that long; where no
formula has the waits, as long as 1 - m of simulated searches through n - 1 fuses need; and a look at least.
"""

from __future__ import annotations

from nightdraw.bench.finding.laws import Law
from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.finding.search import SearchBase, anew_s
from nightdraw.bench.finding.train import Signature
from nightdraw.bench.finding.trials import CONTINUE, STAY_OFF, Restoration
from nightdraw.bench.finding.walks import MOST_WAKING, Wakes, by_pulling

NAME, METER = "pulling fuses", "MAX on a meter"


def pulling(base: SearchBase, signature: Signature, watched: list[Method]) -> Method:
    """The method's row; watched: rows of instruments that could tell when it stops."""
    showing = [row for row in watched if row.shows]
    if not showing:
        why = "neither meter nor clamp shows it in a range for what a pulled fuse wakes"
        return Method(NAME, False, why)
    wakes, fuse = base.site.wakes(), base.site.fuse
    assumed = base.assumed
    pull_s, first_s = assumed.pull_fuse_s, assumed.meter_in_s if showing[-1].method == METER else 0.0
    back = Restoration(base.profile.resume, pull_s, base.site.return_s())
    law = base.law(signature)
    patience_s = patience(base, signature, law, wakes)
    times = base.trials(signature).by_pulling(wakes, fuse, pull_s, patience_s, back, first_s)
    closed = None
    if law is not None and back.rule != CONTINUE and len(wakes.by_fuse) <= MOST_WAKING and not base.quick:

        def again_s(asleep_s: float) -> float:
            return first_s + back_s(base, signature, back, asleep_s)

        closed = law.spread(by_pulling(wakes, fuse, pull_s, patience_s, again_s))
    longest_s = wakes.pulled_s(frozenset())
    settings = {
        "with": showing[-1].method,
        "range_a": showing[-1].settings["range_a"],
        "watch_s": round(patience_s, 3),
        "resleep_s": longest_s,
        "wrong_fuse_at_most_pct": 100 * assumed.wrong_fuse,
        "confirm": "no" if back.rule == STAY_OFF else "yes",
    }
    why = (
        f"a pulled fuse wakes modules for up to {minutes(longest_s)}; then one waits {minutes(patience_s)}"
        f" for the fault before one blames the fuse; {_confirmed(back)}"
    )
    each_s = pull_s + longest_s + patience_s
    hardest_s = first_s + len(wakes.places) * each_s + back.return_s + base.wait95_s(signature)
    more = {"wrong_fuse": round(times.wrong, 4)}
    row = Method(NAME, True, why, settings, isolates=f"fuse {fuse}", more=more)
    return base.with_times(row, signature, times, closed, hardest_s)


def patience(base: SearchBase, signature: Signature, law: Law | None, wakes: Wakes) -> float:
    """How long to watch after a pull before the fuse is blamed, seconds."""
    pull_s, missed, look_s = base.assumed.pull_fuse_s, base.assumed.wrong_fuse, base.assumed.look_s
    if law is None:
        return max(look_s, base.trials(signature).longest_wait_s(wakes, pull_s, 1 - missed))
    moves_s = tuple({pull_s, *(pull_s + t for t in wakes.by_fuse.values())})
    return max(look_s, law.patience_s(moves_s, missed / max(1, len(wakes.places) - 1)))


def back_s(base: SearchBase, signature: Signature, back: Restoration, asleep_s: float) -> float:
    """From the decision to put the fuse back to the fault being seen again, where the run begins anew: the
    schedule's own first pulses are known."""
    if back.rule == STAY_OFF:
        return 0.0
    return back.pull_s + anew_s(base, signature, back, asleep_s, 1)


def _confirmed(back: Restoration) -> str:
    if back.rule == STAY_OFF:
        return "put back, it stays off: that can't be confirmed"
    how = "goes on where it was" if back.rule == CONTINUE else "begins anew"
    return f"put back, it {how} after {minutes(back.return_s)} and is seen again"
