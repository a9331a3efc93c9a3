"""Faults that tests.mutants plants and no test can notice, each with the reason: the budget of survivors.

A row stands for one planted fault: file, the line's text without its indent, what is replaced, by what, why
nothing that a user or a caller sees changes. A line that changes takes its row out: tests/test_mutants.py
says so.
"""

from __future__ import annotations

EXPLAINED: tuple[tuple[str, str, str, str, str], ...] = (
    (
        "host/nightdraw/capture/scan.py",
        "if held.count < BLOCK_SAMPLES:",
        "<",
        "<=",
        "a block may hold one sample more: blocks overlap, and nothing found depends on where they end "
        "(tests/capture/test_pulses.py holds that over several sizes of a block)",
    ),
    (
        "host/nightdraw/capture/changes.py",
        "hits = hits[np.abs(move[hits]) > lowest]",
        ">",
        ">=",
        "a block just at the lowest threshold still has to exceed its own one, which is no lower",
    ),
    (
        "host/nightdraw/capture/changes.py",
        "starts = np.sort(np.concatenate([at - edge + k for edge in matched.edges for k in (-1, 0, 1)]))",
        "+",
        "-",
        "k takes both signs, and the starts are sorted: they are the same ones",
    ),
    (
        "host/nightdraw/capture/changes.py",
        "if not len(at):",
        "not len(at)",
        "False",
        "without a step nothing is taken off: the running sum comes out as it is, only later",
    ),
    (
        "host/nightdraw/capture/judge.py",
        "nearby[unlike] = -1",
        "1",
        "2",
        "any negative number says that no edge is near",
    ),
    (
        "host/nightdraw/capture/hypotheses.py",
        "self.nothing = _Row(NOTHING, 0, 0.0, prior + evidence.either(none, none))",
        "0.0",
        "1.0",
        "nothing wrong has no share: its row is asked for its score only",
    ),
    (
        "host/nightdraw/capture/hypotheses.py",
        "self.nothing = _Row(NOTHING, 0, 0.0, prior + evidence.either(none, none))",
        "0",
        "1",
        "nothing wrong is no channel's: its row is asked for its score only",
    ),
    (
        "host/nightdraw/capture/place.py",
        "return len(_pairs(task, every, line, np.full(len(every), task.reach_s))[0])",
        "0",
        "1",
        "edges that meet come in pairs: there are as many known as seen ones",
    ),
    (
        "host/nightdraw/capture/place.py",
        "line = _Line(clock.offset_s, clock.rate_ppm * 1e-6, 0.0)",
        "0.0",
        "1.0",
        "how well a rate is known widens the reach of a search; here the reach is the task's",
    ),
    (
        "host/nightdraw/vehicle/network.py",
        "if not branch.feed.stale:",
        "not branch.feed.stale",
        "True",
        "a feed reduced twice from the same branches has the same equivalent: only the time is lost",
    ),
    (
        "host/nightdraw/bank/drawings/assembled.py",
        "cuts = [block((x - half, y - half, 0), (x + half, y + half, level.floor + 1)) "
        "for x, y in box.screws()]",
        "0",
        "1",
        "a cut through the sheet begins beneath it either way: the sheet lies on a wall of more than 1 mm",
    ),
    (
        "host/nightdraw/bank/mechanics/view.py",
        "left, right = math.ceil(min(x1, x2, x3)), math.floor(max(x1, x2, x3)) + 1",
        "1",
        "2",
        "a column more is looked at; which of its pixels lie in the triangle their coordinates say",
    ),
    (
        "host/nightdraw/bank/kicad/router.py",
        "reach = apart + max(width, VIA_MM) / 2",
        "/",
        "*",
        "more of the grid is looked at; which of it lies too close the distance says",
    ),
    (
        "firmware/boxcore/schedule.py",
        "share = _carry((low & 0x3FF) << 1, span, 0)  # ten bits, then eleven and eleven",
        "0",
        "1",
        "an even product is carried into: one more never reaches the next multiple of 2048",
    ),
    (
        "firmware/boxcore/schedule.py",
        "r0 = r1 = r2 = 0",
        "0",
        "1",
        "these are fractions of a tick below 2^-40 once they are shifted: no rounding depends on one of them",
    ),
    (
        "firmware/boxcore/player.py",
        "if self._charge_mas - self._ahead_mas <= most_mas:",
        "<=",
        "<",
        "a shortcut past a question whose answer is the same: a word uses less than most_mas by one at least",
    ),
    (
        "host/nightdraw/vehicle/network.py",
        "self.changes += 1",
        "1",
        "2",
        "a count that is only compared with an earlier one",
    ),
    (
        "host/nightdraw/vehicle/modules.py",
        "self._turn += 1",
        "1",
        "2",
        "a count that is only compared with an earlier one",
    ),
    (
        "host/nightdraw/vehicle/root.py",
        "if alone_v <= self.voc_v:",
        "<=",
        "<",
        "where both are equal no current goes into the plates, and both formulas give that voltage",
    ),
    (
        "host/nightdraw/bank/wiring/conductor.py",
        "HALVINGS = 60",
        "60",
        "61",
        "a thousand kelvin halved 60 times is below the rounding of a temperature already",
    ),
    (
        "host/nightdraw/vehicle/root.py",
        "if not self._low <= volts <= self._high:",
        "<=",
        "<",
        "two pieces of one curve meet in their common end: which of them is taken there makes no difference",
    ),
    (
        "host/nightdraw/vehicle/root.py",
        "elif volts >= high_v:  # it takes one, which meets the acceptance of its plates",
        ">=",
        ">",
        "two pieces of one curve meet in their common end: which of them is taken there makes no difference",
    ),
    (
        "host/nightdraw/vehicle/root.py",
        "self._weak = middle < self.weak_v",
        "<",
        "<=",
        "weak_v is an end of pieces, so it is no piece's middle",
    ),
    (
        "host/nightdraw/link/client.py",
        "while len(data) <= MAX_BYTES:",
        "<=",
        "<",
        "pieces have 160 bytes: what was read is never just a slot's 16 384 while another piece is to come",
    ),
)
MOST_EXPLAINED = 40  # more would hide what tests ought to notice
