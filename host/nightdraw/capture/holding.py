"""One power cycle held against a recording: the instrument, one diagnosis, then edge by edge what differs.

Theory of operation. The place that edges alone gave is a beginning: the time constant is fitted to the
samples around the largest edges, the clock is set right by the charge around all of them. The table of
hypotheses then explains the heights, by the clamp, the wiring or a part of the box. What it found goes into
what is expected, and the recording is looked at anew, so that one cause isn't told as many differences.
Each piece is judged edge by edge, then what is foreign in it, then the base. Told is only what enough edges
speak for and no question is left open about; where a source feeds the circuit beside the battery all rows
become one question.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture import faults, instrument
from nightdraw.capture import hypotheses as hyp
from nightdraw.capture.accounts import Account
from nightdraw.capture.align import Piece, Spot
from nightdraw.capture.base import BaseFound, fed, judge_base, perhaps_broken, source_text
from nightdraw.capture.current import Current
from nightdraw.capture.differences import Difference
from nightdraw.capture.expected import moves
from nightdraw.capture.faults import Diagnosis
from nightdraw.capture.foreign import BETWEEN_S, MANY, edges_outside, hidden_edges, judge_foreign, off_alike
from nightdraw.capture.instrument import PERFECT, Instrument
from nightdraw.capture.journal import Did
from nightdraw.capture.judge import judge
from nightdraw.capture.observed import Observed, look
from nightdraw.capture.place import Clock, nearest
from nightdraw.capture.seen import Bools, Floats
from nightdraw.capture.view import Prior, Reference, View, edges_off, reference_of

AWAKE_S = 0.2  # after its power came the box draws its own consumption, whatever inrush there was
COVERED = 0.9  # of the edges that lie in the recording must be judged, or nothing is agreed to ...
COVERED_SHARED = 0.5  # ... and half where other loads spoil some
FEW = 2  # edges clear of the run of a box that is alone: one foreign pulse, no more, says nothing of it
HALF = 0.5  # of an edge
NOMINAL_V = 12.6  # without a journal nobody knows the supply
MOSTLY = 0.7  # of a piece's edges that come when they should make it no other piece
WHOLE = 0.9  # of an edge is seen where all the box's current passes


@dataclass
class Part:
    """One power cycle against the recording. told: the recording can speak about it; placed: it lies in the
    recording; edges, judged, inside: how many edges it has, were judged, lie in the recording."""

    clock: Clock
    did: Did | None
    asked: Account | None = None
    rows: list[Difference] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    told: bool = False
    placed: bool = False
    found: Diagnosis = field(default_factory=Diagnosis)
    instrument: Instrument = PERFECT
    edges: int = 0
    inside: int = 0
    judged: int = 0

    @property
    def span_s(self) -> tuple[float, float]:
        """From when to when it lies in the recording."""
        assert self.did is not None
        account = self.did.account
        first_s, last_s = self.clock.to_recording(np.array([account.t_s[0], account.t_s[-1]]))
        return float(first_s), float(last_s)


class Holding:
    """One power cycle held against the recording, step by step."""

    def __init__(
        self, asked: Account | None, did: Did | None, seen: Current, pieces: list[Piece], prior: Prior
    ) -> None:
        self._asked, self._did, self._seen, self._prior = asked, did, seen, prior
        self._pieces = pieces
        # other power cycles' edges are their own
        self._several = did is not None and (bool(did.others) or did.cycle.order > 0 or did.cycle.cut)
        self._reference = reference_of(asked, did)
        boot_s = None if did is None else did.cycle.boot_s
        self._alive_s = None if boot_s is None else boot_s + AWAKE_S

    def part(self) -> Part:
        """The whole of it."""
        reference = self._reference
        tool = self._instrument()
        main = self._view(self._pieces[0], reference.account, tool)
        part = Part(self._pieces[0].clock, self._did, asked=self._asked)
        if not main.observed.count.any():
            part.notes = ["the recording shows nothing of the run"]
            return part
        source = fed(main) if self._prior.shared else np.zeros(0, dtype=bool)
        found = hyp.diagnose(main, scale=not source.any())
        supply_v = NOMINAL_V if self._did is None else float(np.median(self._did.supply_mv)) / 1000
        tool = replace(tool, gain=found.gain, lead_ohm=found.lead_per_a * supply_v)
        expected = faults.expected_of(found, reference)
        views = self._confirmed(expected, tool)
        part.found, part.placed, part.told = found, True, True
        if found.either:
            part.told = False
            part.notes.append(faults.either_text(found, self._did, supply_v))
        elif found.fault is not None:
            part.rows.append(faults.fault_row(reference, views[0].observed, found))
        base = self._judge(part, views, tool)
        part.rows += _slips(reference, [view.piece for view in views])
        zero_ma = base.zero_ma if found.fault is None else 0.0
        rate_ppm = views[0].piece.clock.rate_ppm
        part.instrument = replace(tool, zero_ma=zero_ma, rate_ppm=rate_ppm)
        part.clock = views[0].piece.clock
        if source.any():
            self._beside_a_source(part, views[0], source)
        part.notes += _notes(reference, part, views, self._seen)
        return part

    def _instrument(self) -> Instrument:
        """The recorder's time constant, and the clock as its edges come then."""
        piece = self._pieces[0]
        tau_s, late_s = instrument.time_constant(
            self._seen.recording, self._reference.account, piece, self._seen.seen
        )
        if tau_s:
            self._pieces = [
                replace(p, clock=replace(p.clock, offset_s=p.clock.offset_s + late_s)) for p in self._pieces
            ]
        digit_ma = instrument.digit_of(self._seen.recording, self._seen.seen.noise)
        return Instrument(tau_s=tau_s, digit_ma=digit_ma)

    def _view(self, piece: Piece, expected: Account, tool: Instrument) -> View:
        """A piece against what is expected, its clock set right by the charge around the edges."""
        seen = self._seen
        observed = self._look(piece, expected, tool)
        clock = instrument.refined(
            piece.clock, expected.t_s, observed.late_s, observed.late_u_s, observed.interval_s
        )
        if clock is not piece.clock:
            piece = replace(piece, clock=clock)
            observed = self._look(piece, expected, tool)
        edges = seen.edges(Spot(from_s=piece.from_s, until_s=piece.until_s), slow=tool.tau_s > 0)
        own = replace(
            edges,
            at_s=clock.to_run(edges.at_s),
            before_ma=edges.before_ma / tool.gain,
            after_ma=edges.after_ma / tool.gain,
            u_ma=edges.u_ma / abs(tool.gain),
        )
        own = replace(
            own, at_s=own.at_s - _bias(own.at_s, expected.t_s, reach_s=2 * seen.seen.interval_s + tool.tau_s)
        )
        return View(self._reference, observed, own, piece, self._prior, tool.gain)

    def _confirmed(self, expected: Account, tool: Instrument) -> list[View]:
        """A view of each piece. What the edges alone took for another piece goes on with the first one where
        the charge around its edges says so: a slow clamp's edges, and small ones in noise, come early or
        late."""
        main, *others = self._pieces
        first = self._view(main, expected, tool)
        if not others:
            return [first]
        on = [self._look(replace(piece, clock=first.piece.clock), expected, tool) for piece in others]
        if not all(_goes_on(look, piece.clock.matched) for look, piece in zip(on, others, strict=True)):
            return [first, *(self._view(piece, expected, tool) for piece in others)]
        whole = self._seen.seen
        return [self._view(replace(main, from_s=whole.start_s, until_s=whole.end_s), expected, tool)]

    def _look(self, piece: Piece, expected: Account, tool: Instrument) -> Observed:
        seen, box = self._seen, self._did
        found = look(
            expected,
            piece,
            seen.recording,
            seen.seen,
            tool,
            self._alive_s,
            shared=self._prior.shared,
            supply_mv=None if box is None else box.supply_mv,
        )
        if self._prior.loads is not None and self._prior.levels:
            found = found.beside_loads(self._prior.loads, piece.clock)
        return found.without(self._reference.lost.touches(expected.t_s, expected.until_s))

    def _judge(self, part: Part, views: list[View], tool: Instrument) -> BaseFound:
        """Every piece edge by edge, what is foreign in it, and the base."""
        account = views[0].observed.account
        inside, judged = np.zeros(len(account.t_s), bool), np.zeros(len(account.t_s), bool)
        for view in views:
            result = judge(view)
            part.rows += result.rows
            inside |= result.inside
            judged |= result.judged
            others = moves(account, view.piece, self._seen.seen, tool.tau_s)
            rows, notes, told = judge_foreign(view, others, result.taken_s)
            part.rows += rows
            part.notes += notes
            part.told &= told
        base = judge_base(views[0])
        part.rows += base.rows
        part.notes += base.notes
        part.told &= base.told
        part.told &= self._open_questions(part, views[0])
        edges = np.isfinite(account.t_s)
        if self._alive_s is None:  # the first edge is the start: what was before it isn't known
            edges[0] = False
        part.edges, part.inside = int(edges.sum()), int((inside & edges).sum())
        part.judged = int((judged & edges).sum())
        least = COVERED_SHARED if self._prior.shared else COVERED
        if part.inside and part.judged < least * part.inside:
            part.told = False
        coarse = df.tolerance_ma(account.level_ma - self._reference.train.base_ma) < tool.digit_ma / abs(
            tool.gain
        )
        if self._prior.levels and np.count_nonzero(coarse & inside) > (1 - COVERED) * max(part.inside, 1):
            part.told = False
            part.notes.append(
                f"the recorder's last digit is {tool.digit_ma:.3g} mA: levels can't be told within the "
                "tolerance"
            )
        if not part.inside:
            part.told &= bool(views[0].observed.count.any())
        return base

    def _open_questions(self, part: Part, view: View) -> bool:
        """Whether nothing speaks against telling, with a note where something does, or a row."""
        doubts = list(self._doubts(view, bool(part.rows)))
        part.notes += doubts
        outside = edges_outside(view)
        if self._several or len(outside) <= (2 * MANY if self._prior.shared else FEW):
            return not doubts
        at_s = view.clock.to_recording(outside)
        text = (
            f"{len(outside)} edges come before or after the run that fits from {part.clock.offset_s:.3f} s "
            f"of the recording on, from {at_s[0]:.3f} s to {at_s[-1]:.3f} s: another run, or this one begun "
            "anew after a power loss? The journal would tell"
        )
        # as many as the run has can't be chance where the box is alone
        if len(outside) > 2 * part.clock.matched and not self._prior.shared:
            part.rows.append(Difference(df.EXTRA, None, None, None, float(at_s[0]), text))
            return not doubts
        part.notes.append(text)
        return False

    def _doubts(self, view: View, told: bool) -> Iterator[str]:
        """Levels that keep no ratio, channels with few edges and, where nothing else is told, edges that are
        gone or alike off."""
        chance, real = edges_off(view)
        if not self._prior.levels and real.any():
            yield "the levels don't stand to each other as they should: give the resistance with --ohms"
        channels = perhaps_broken(view, chance | real) if self._prior.shared else []
        if channels:
            yield (
                f"channel {' or '.join(map(str, channels))} may be broken: the few edges that switch it are "
                "off by its current, too few to be sure among other loads"
            )
        hidden_s = np.empty(0) if told else hidden_edges(view, chance)
        if len(hidden_s):
            yield (
                f"the box's edge at {hidden_s[0]:.3f} s of the recording isn't there, and nothing in the "
                "vehicle draws what would hide it"
            )
        often_ma = off_alike(view, chance | real) if self._prior.shared and not told else 0.0
        if often_ma:
            yield (
                f"edges are off by the same {often_ma:.1f} mA again: another load hardly changes so often "
                "together with the box; the journal, or a recording at the fuse, may tell more"
            )

    def _beside_a_source(self, part: Part, view: View, source: Bools) -> None:
        """Where a charger or an engine feeds the circuit, the battery's clamp doesn't see all of the box."""
        seen = view.observed
        step = seen.account.step_ma
        large = seen.known & source & (np.abs(step) >= 0.3 * np.max(np.abs(step), initial=0.0))
        ratio = instrument.gain_of((seen.edge_ma + step)[large], step[large]) if large.any() else 0.0
        base_low = any(row.kind == df.BASE for row in part.rows)
        if not part.rows or (ratio >= WHOLE and not base_low):
            return
        assert self._did is not None
        part.rows, part.told, part.notes = [], False, [source_text(self._did)]


def _goes_on(observed: Observed, matched: int) -> bool:
    """Whether the edges that a piece shows, come when they should by another piece's clock.

    matched: as many met their own piece's clock."""
    seen = observed.known & (np.abs(observed.edge_ma) <= HALF * np.abs(observed.account.step_ma))
    told = seen & np.isfinite(observed.late_s)
    allowed = df.TIME_S + observed.interval_s + df.DEVIATIONS * observed.late_u_s[told]
    on_time = int(np.count_nonzero(np.abs(observed.late_s[told]) <= allowed))
    return on_time > MOSTLY * max(int(np.count_nonzero(observed.known)), matched)


def _bias(seen_s: Floats, known_s: Floats, reach_s: float) -> float:
    """By how much crossings are seen later than the charge says: half a sample, and what a slow clamp
    takes."""
    if not len(seen_s):
        return 0.0
    late = seen_s - known_s[nearest(known_s, seen_s)]
    close = np.abs(late) <= reach_s
    return float(np.median(late[close])) if close.any() else 0.0


def _slips(reference: Reference, pieces: list[Piece]) -> Iterator[Difference]:
    """Rows about a run that goes on at another time, or begins anew, from one piece to the next."""
    ordered = sorted(pieces, key=lambda piece: piece.from_s)
    for one, other in pairwise(ordered):
        before_s = one.clock.to_recording(one.last_s)
        after_s = other.clock.to_recording(other.first_s)
        pulse = min(
            int(np.searchsorted(reference.train.start_s, other.first_s)), max(len(reference.train) - 1, 0)
        )
        if other.first_s <= one.first_s or other.last_s <= one.last_s:
            text = (
                f"the pulses stop fitting at {before_s:.3f} s of the recording; from {after_s:.3f} s on they "
                f"fit the run from its {other.first_s:.1f} s on: the power off and the run begun anew, or "
                "recordings put together? The journal would tell"
            )
            yield reference.row(df.MISSING, pulse, "start_s", None, text)
            continue
        late_s = after_s - one.clock.to_recording(other.first_s)
        text = (
            f"between {before_s:.3f} s and {after_s:.3f} s of the recording everything comes to be "
            f"{df.later(late_s)}: the run stood still, or the recording was cut"
        )
        seen_s = float(reference.train.start_s[pulse]) + late_s if len(reference.train) else late_s
        yield reference.row(df.TIME, pulse, "start_s", seen_s, text)


def _notes(reference: Reference, part: Part, views: list[View], seen: Current) -> Iterator[str]:
    clock = part.clock
    if clock.others and abs(clock.offset_s) > BETWEEN_S:
        yield (
            "the pulses repeat so evenly that the recording may as well begin some whole periods earlier or "
            f"later ({clock.others} other places fit): record the run's start or end to be sure"
        )
    if not clock.matched and len(reference.train):
        yield "no edge of the recording could be matched: it is taken to begin with the run"
    observed = views[0].observed
    step = np.abs(observed.account.step_ma)
    hidden = (
        observed.known
        & (step > df.LEVEL_MA)
        & (df.DEVIATIONS * np.sqrt(np.where(observed.known, observed.edge_var, 0)) > step)
    )
    if hidden.any():
        yield f"{int(hidden.sum())} edges are too small for this recording's noise"
        if np.count_nonzero(hidden) > (1 - COVERED) * max(part.inside, 1):
            part.told = False
    if part.judged < part.edges:
        outside = part.edges - part.inside
        yield (
            f"{part.edges - part.judged} of {part.edges} edges can't be judged: {outside} not recorded, "
            f"{part.inside - part.judged} too short, lost or spoilt"
        )
    gaps = len(seen.seen.gaps)
    if gaps:
        yield f"the recording has {gaps} gap{'s' if gaps > 1 else ''}"
    yield from seen.notes
