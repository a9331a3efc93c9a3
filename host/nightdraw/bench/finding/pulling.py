"""Pulling fuses: fuse after fuse, until the fault stops, and the right one put back to see it again.

It is seen once to begin with. Then fuse after fuse in any order: 15 s to pull it, the time until what this
woke sleeps again (fuses stay out, what they feed no longer wakes), and the wait for one pulse, which rules
the fuse out. Where the patience ends first the fuse is blamed, put back (15 s), and the fault waited for once
more, from when the box has come back by its resume rule and all sleeps.

The patience is chosen so that a wrong fuse is blamed in at most 5 % of searches, wherever the right one is:
with n fuses at most n - 1 wrong ones are watched, so a watch lasts as long as all but a share of
0.05 / (n - 1) of the waits for one pulse (Bonferroni); where there is a longest wait, that long; where no
formula has the waits, as long as 19 in 20 simulated searches through n - 1 fuses need; and 5 s at least.
"""

from __future__ import annotations

from nightdraw.bench.finding.laws import Law
from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.finding.search import Ground
from nightdraw.bench.finding.train import LOOK_S, Face
from nightdraw.bench.finding.trials import CONTINUE, STAY_OFF, Back
from nightdraw.bench.finding.walks import MOST_WAKING, Wakes, by_pulling

NAME = "pulling fuses"
PULL_S = 15.0  # to pull a fuse and put down where it was, or to put it back
MISSED = 0.05  # of searches may blame a wrong fuse


def pulling(ground: Ground, face: Face, watched: list[Method]) -> Method:
    """The method's row; watched: rows of instruments that could tell when it stops."""
    showing = [row for row in watched if row.shows]
    if not showing:
        why = "neither meter nor clamp shows it in a range for what a pulled fuse wakes"
        return Method(NAME, False, why)
    wakes, fuse = ground.site.wakes(), ground.site.fuse
    back = Back(ground.profile.resume, PULL_S, ground.site.return_s())
    law = ground.law(face)
    patience_s = patience(ground, face, law, wakes)
    times = ground.trials(face).by_pulling(wakes, fuse, PULL_S, patience_s, back)
    closed = None
    known = law is not None and back.rule != CONTINUE and len(wakes.by_fuse) <= MOST_WAKING
    if law is not None and known and not ground.quick:
        closed = law.spread(
            by_pulling(wakes, fuse, PULL_S, patience_s, lambda asleep_s: back_s(ground, face, back, asleep_s))
        )
    longest_s = wakes.pulled_s(frozenset())
    settings = {
        "with": showing[-1].method,
        "range_a": showing[-1].settings["range_a"],
        "watch_s": round(patience_s, 3),
        "resleep_s": longest_s,
        "wrong_fuse_at_most_pct": 100 * MISSED,
        "confirm": "no" if back.rule == STAY_OFF else "yes",
    }
    why = (
        f"a pulled fuse wakes modules for up to {minutes(longest_s)}; then one waits {minutes(patience_s)}"
        f" for the fault before one blames the fuse; {_confirmed(back)}"
    )
    each_s = PULL_S + longest_s + patience_s
    hardest_s = len(wakes.places) * each_s + back.return_s + ground.wait95_s(face)
    more = {"wrong_fuse": round(times.wrong, 4)}
    row = Method(NAME, True, why, settings, isolates=f"fuse {fuse}", more=more)
    return ground.told(row, face, times, closed, hardest_s)


def patience(ground: Ground, face: Face, law: Law | None, wakes: Wakes) -> float:
    """How long to watch after a pull before the fuse is blamed, seconds."""
    if law is None:
        return max(LOOK_S, ground.trials(face).longest_wait_s(wakes, PULL_S, 1 - MISSED))
    moves_s = tuple({PULL_S, *(PULL_S + t for t in wakes.by_fuse.values())})
    return max(LOOK_S, law.patience_s(moves_s, MISSED / max(1, len(wakes.places) - 1)))


def back_s(ground: Ground, face: Face, back: Back, asleep_s: float) -> float:
    """From the decision to put the fuse back to the fault being seen again, where the run begins anew: the
    schedule's own first pulses are known."""
    import numpy as np
    from boxcore.program import TICKS_PER_S

    if back.rule == STAY_OFF:
        return 0.0
    quiet_s = max(0.0, asleep_s - back.return_s)
    if face.train is None:
        return back.pull_s + back.return_s + quiet_s + LOOK_S
    seen = face.train.seen(np.array([quiet_s * TICKS_PER_S]))
    return back.pull_s + back.return_s + float(seen[0]) / TICKS_PER_S


def _confirmed(back: Back) -> str:
    if back.rule == STAY_OFF:
        return "put back, it stays off: that can't be confirmed"
    how = "goes on where it was" if back.rule == CONTINUE else "begins anew"
    return f"put back, it {how} after {minutes(back.return_s)} and is seen again"
