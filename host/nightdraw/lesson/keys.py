"""The instructor's key to a group's sheet, in the same order: what it is, what each step shows, when to help.

Readings are worked out for this group's own instruments in its own vehicle, asleep; the picture is recorded
by the bench.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from nightdraw.bench import findable
from nightdraw.bench.finding import pulling
from nightdraw.bench.finding.difficulty import MAX_ON_A_METER
from nightdraw.bench.finding.readings import CLAMP
from nightdraw.bench.finding.trials import STAY_OFF
from nightdraw.lesson import labels, tolerances
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.keycase import between, duration_text
from nightdraw.lesson.keyreadings import Readings
from nightdraw.lesson.sheets import steps
from nightdraw.lesson.tolerances import shown
from nightdraw.lesson.truth import Behaviour
from nightdraw.profile import timeline
from nightdraw.profile.case import days, usable_ah
from nightdraw.profile.describe import draw_text, limits_text, resume_text, start_text
from nightdraw.profile.figures import NO_START_PCT, figures
from nightdraw.profile.model import Limits
from nightdraw.report import handout as ho
from nightdraw.report.words import Words
from nightdraw.units import TICKS_PER_S, show

EDGES = 8  # of the timeline
SHOWN_PULSES = 3.5  # on the picture
LEAST_SHOWN_S, MOST_SHOWN_S = 20.0, 600.0
PICTURE_SAMPLES = 20_000
PICTURE_MM = 42.0
LEAST_WATCH_S = 60.0  # a hint names no shorter time to record
SETTINGS = ("range_a", "range_mv", "rate_hz", "trigger_a", "trigger_mv", "screen_s", "fuses_at_once", "sets")
METHODS = {
    MAX_ON_A_METER: "way.meter_max", CLAMP: "way.clamp",
    findable.TWO_CLAMPS: "way.two_clamps", findable.DROPS: "way.drops",
    pulling.NAME: "way.pulling", findable.HEAT: "way.heat",
    findable.BOTH: "way.split_then_drops", findable.BY_HAND: "way.drops_by_hand",
}  # fmt: skip


@dataclass(frozen=True)
class Key(Readings):
    """One group's key."""

    def handout(self) -> ho.Handout:
        """The key's pages."""
        words, of = self.words, self.plan.of
        blocks = (
            *self._fault(),
            *self._answers(),
            *self._readings(),
            *self._picture(),
            *self._settings(),
            *self._hints(),
            *self._label(),
        )
        subtitle = f"{words('key.only')} \u2013 {of.title}"
        return ho.Handout(
            words("key.title"), self.one.group, subtitle, blocks, words("sheet.foot"), words("language")
        )

    def _fault(self) -> Iterator[ho.Block]:
        words, one, profile = self.words, self.one, self.search.profile
        fuse = next(fuse for fuse in self.vehicle.fuses if fuse.name == one.fuse)
        where = words(
            "key.where_text", vehicle=one.vehicle, splice=one.splice, fuse=one.fuse,
            rating=f"{fuse.rating_a:g}", type=fuse.type, feed=fuse.feed,
        )  # fmt: skip
        held = profile.limits.within(profile.board.caps)
        rows = [
            (
                words("key.profile"),
                f"{profile.name}: " + "; ".join(draw_text(draw, words) for draw in profile.draws),
            ),
            (words("key.where"), where),
            (words("key.box"), words("key.box_text", box=one.box, slot=one.slot, seed=one.seed)),
            (words("key.starts"), self._rules(held)),
            *self._complaint(),
            (words("key.expected"), self._expected()),
        ]
        for other, played_there in self.others:
            draws = "; ".join(draw_text(draw, words) for draw in played_there.draws)
            text = words("key.beside_text", group=other.group, fuse=other.fuse, draws=draws)
            rows.append((words("key.beside"), text))
        yield ho.Heading(words("key.fault"))
        yield ho.Facts(tuple(rows))

    def _rules(self, held: Limits) -> str:
        profile, words = self.search.profile, self.words
        rules = (start_text(profile, words), resume_text(profile, words), limits_text(held, words))
        return "; ".join(rules)

    def _complaint(self) -> Iterator[tuple[str, str]]:
        """How a right calculation with the customer's battery confirms the words; nothing without a case."""
        profile, words = self.search.profile, self.words
        takes = days(profile)
        if profile.case is None or takes is None:
            return
        text = words(
            "key.complaint_text",
            usable=show(usable_ah(profile.case), "charge"),
            charge=show(profile.case.charge_pct, "percent"),
            least=show(NO_START_PCT, "percent"),
            own=show(profile.case.own_a, "current"),
            mean=shown(figures(profile).mean_ma / 1000, "current"),
            days=f"{takes:.1f}",
        )
        yield words("key.complaint"), text

    def _expected(self) -> str:
        words, one = self.words, self.one
        rows = [row for row in self.methods if row.shows and row.isolates and row.time is not None]
        if not rows:
            return words("key.none")
        best = min(rows, key=lambda row: row.time.p95_s if row.time else math.inf)
        document = best.document()
        expected = one.expected_s if one.expected_s is not None else document["expected_s"]
        p95 = one.p95_s if one.p95_s is not None else document["p95_s"]
        text = words("key.expected_text", expected=duration_text(expected), p95=duration_text(p95))
        if one.difficulty is not None:
            text += words("key.difficulty", difficulty=f"{one.difficulty:g}")
        return f"{text}; {words('key.quickest')}: {self.words(METHODS[best.method])}"

    def _answers(self) -> Iterator[ho.Block]:
        words, of, behaviour = self.words, self.plan.of, self.behaviour
        rows: list[tuple[ho.Cell, ...]] = []
        kit = of.kit(self.one.kit).instruments
        values: dict[str, Any] = {
            "current": behaviour.level_a, "duration": behaviour.duration_s, "interval": behaviour.period_s,
        }  # fmt: skip
        for name in COLUMNS:
            points = str(of.points[name])
            if name in values:
                if not len(values[name]):
                    rows.append((words(f"item.{name}"), "\u2013", "", "\u2013"))
                    continue
                low, high = float(min(values[name])), float(max(values[name]))
                within = tolerances.allowed(name, behaviour, kit, self.vehicle, self.one.fuse, of)
                near = within.around(high)
                truth = (
                    shown(high, name) if high - low <= near else f"{shown(low, name)} .. {shown(high, name)}"
                )
                tolerance = f"\u00b1 {shown(near, name, 2)} ({words.text(within.why)})"
                rows.append((words(f"item.{name}"), truth, tolerance, points))
            else:
                truth = {
                    "circuit": self.one.fuse,
                    "kind": words(f"kind.{behaviour.kinds[0]}"),
                    "evidence": words("key.evidence"),
                }[name]
                rows.append((words(f"item.{name}"), truth, "", points))
        yield ho.Heading(words("key.answer"))
        head = tuple(words(f"key.head.{name}") for name in ("item", "truth", "tolerance", "points"))
        yield ho.Table(head, tuple(rows), (0.14, 0.3, 0.46, 0.1), right=(3,))
        others = "; ".join(_behaviour(behaviour, words) for behaviour in self.truth.behaviours[1:])
        if others:
            yield ho.Text(words("key.also", others=others), ho.SMALL)

    def _readings(self) -> Iterator[ho.Block]:
        words = self.words
        kit = self.plan.of.kit(self.one.kit).instruments
        rows = tuple(
            (f"{number}. {words(f'sheet.step.{name}')}", self.reading(name))
            for number, (name, _) in enumerate(steps(kit, self.vehicle), start=1)
        )
        yield ho.Heading(words("key.readings"))
        head = (words("key.head.step"), words("key.head.reading"))
        yield ho.Table(head, rows, (0.48, 0.52))

    def _picture(self) -> Iterator[ho.Block]:
        words = self.words
        kit = self.plan.of.kit(self.one.kit).instruments
        if kit.recorder is not None and kit.clamp is not None:
            yield ho.Heading(words("key.picture"))
            yield ho.Picture(self._png(), words("key.picture_alt"), PICTURE_MM)
        edges = islice(timeline.edges(self.search.profile, round(self.plan.of.time_s) * TICKS_PER_S), EDGES)
        text = "; ".join(f"{tick / TICKS_PER_S:g} s: {level / 1000:g} mA" for tick, level in edges)
        yield ho.Facts(((words("key.timeline"), text),))

    def shown_s(self) -> float:
        """How long the picture is: some pulses."""
        if not len(self.behaviour.period_s):
            return 60.0
        return min(max(SHOWN_PULSES * float(self.behaviour.period_s.mean()), LEAST_SHOWN_S), MOST_SHOWN_S)

    def _png(self) -> bytes:
        from nightdraw.capture import plot, read
        from nightdraw.lesson.recordings import record
        from nightdraw.report import small

        seconds = self.shown_s()
        kit = self.plan.of.kit(self.one.kit).instruments
        assert kit.recorder is not None
        rate_hz = min(kit.recorder.rate_hz, max(50.0, min(2000.0, PICTURE_SAMPLES / seconds)))
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "shown.csv"
            record(self.plan, self.one, path, seconds, rate_hz, with_others=True)
            chart = plot.chart(plot.Wanted((read.open_recording(path, "battery"),), pulses=False))
            return small.png(chart)

    def _settings(self) -> Iterator[ho.Block]:
        words = self.words
        rows = []
        for row in self.methods:
            if not row.shows:
                continue
            times = [duration_text(row.document()[key]) for key in ("expected_s", "p95_s")]
            settings = [
                words(f"setting.{key}", value=_figure(row.settings[key]))
                for key in SETTINGS
                if key in row.settings
            ]
            rows.append((words(METHODS[row.method]), *times, ", ".join(settings)))
        yield ho.Heading(words("key.settings"))
        head = tuple(words(f"key.head.{name}") for name in ("method", "expected", "p95", "settings"))
        yield ho.Table(head, tuple(rows), (0.24, 0.11, 0.11, 0.54), right=(1, 2))

    def _hints(self) -> Iterator[ho.Block]:
        words, site = self.words, self.search.site
        feed = self.vehicle.feed_of(self.one.fuse)
        signature = self.signature
        first = words("key.hint.wait_steady")
        if signature is not None and signature.pulsed:
            kit = self.search.kit
            key = "key.hint.wait_pulse" if kit.recorder and kit.clamp else "key.hint.wait_max"
            first = words(key, wait=duration_text(max(LEAST_WATCH_S, 3 * self.search.wait95_s(signature))))
        texts = [
            words("key.hint.asleep", sleep=duration_text(site.sleep_s())) + " " + first,
            words("key.hint.feed", feed=feed),
            words("key.hint.pair", pair=self._pair(feed)),
            words("key.hint.fuse", fuse=self.one.fuse),
        ]
        # From vague to plain, as many as there are times for.
        hints = self.plan.of.hints_s
        rows = [
            (words("key.hint_at", time=duration_text(at)), text)
            for at, text in zip(hints, texts, strict=False)
        ]
        yield ho.Heading(words("key.hints"))
        yield ho.Facts((*rows, (words("key.pulled"), self._pulled())))

    def _pulled(self) -> str:
        """What a pulled fuse costs, and how it is seen again."""
        words = self.words
        row = next(row for row in self.methods if row.method == pulling.NAME)
        if not row.shows:
            return words("key.pulled_blind")
        resleep_s = row.settings["resleep_s"]
        woken = (
            words("key.pulled_woken", resleep=duration_text(resleep_s))
            if resleep_s
            else words("key.pulled_none")
        )
        resume = self.search.profile.resume
        back = words(f"back.{resume}", **_back(resume, self.search.site.return_s()))
        return words("key.pulled_text", woken=woken, watch=duration_text(row.settings["watch_s"]), back=back)

    def _label(self) -> Iterator[ho.Block]:
        box, *rest = labels.lines(self.plan, self.one, self.words)
        yield ho.Heading(self.words("key.label"))
        yield ho.Caution(box, tuple(rest))

    def _pair(self, feed: str) -> str:
        """The fuse and a neighbour, in the order of the fuse box."""
        names = [fuse.name for fuse in self.vehicle.fuses if fuse.feed == feed]
        at = names.index(self.one.fuse)
        pair = names[at : at + 2] if at + 1 < len(names) else names[max(at - 1, 0) : at + 1]
        return ", ".join(pair)


def _behaviour(behaviour: Behaviour, words: Words) -> str:
    """A way in which the fault draws, as an answer to all items."""
    parts = [words(f"kind.{behaviour.kinds[0]}"), shown(behaviour.level_a[1], "current")]
    if len(behaviour.duration_s):
        parts.append(between(behaviour.duration_s, "duration"))
    if len(behaviour.period_s):
        parts.append(between(behaviour.period_s, "interval"))
    return ", ".join(parts)


def _back(resume: str, seconds: float) -> dict[str, str]:
    """What the sentence of a resume rule tells."""
    return {} if resume == STAY_OFF else {"time": duration_text(seconds)}


def _figure(value: Any) -> str:
    return f"{value:.3g}" if isinstance(value, float) else str(value)
