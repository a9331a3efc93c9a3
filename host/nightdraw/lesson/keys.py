"""The instructor's key to a group's sheet, in the same order: what it is, what each step shows, when to help.

Readings are worked out for this group's own instruments in its own vehicle, asleep; the picture is recorded
by the bench.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import Any

from nightdraw.bench.findable import Search
from nightdraw.bench.finding import pulling, train, weigh
from nightdraw.bench.finding.method import Method
from nightdraw.bench.finding.train import Face
from nightdraw.lesson import tolerances
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.fitting import beside, played
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.sheets import steps
from nightdraw.lesson.tolerances import shown
from nightdraw.lesson.truth import Pattern, Truth, of_profile
from nightdraw.lesson.words import Words
from nightdraw.profile import Profile, timeline
from nightdraw.profile.describe import draw_text, limits_text, resume_text, start_text
from nightdraw.report import handout as ho
from nightdraw.units import TICKS_PER_S
from nightdraw.vehicle.model import BATTERY, Vehicle

EDGES = 8  # of the timeline
SHOWN_PULSES = 3.5  # on the picture
LEAST_SHOWN_S, MOST_SHOWN_S = 20.0, 600.0
PICTURE_SAMPLES = 20_000
PICTURE_MM = 42.0
LEAST_WATCH_S = 60.0  # a hint names no shorter time to record
WHOLE = 0.99  # of a pulse that MAX sees: all of it
SETTINGS = ("range_a", "range_mv", "rate_hz", "trigger_a", "trigger_mv", "screen_s", "fuses_at_once", "sets")
SETTING_UNITS = {"a": "A", "mv": "mV", "hz": "samples/s", "s": "s"}


@dataclass(frozen=True)
class Key:
    """One group's key: what all parts of it need."""

    plan: Plan
    one: Assignment
    words: Words

    @cached_property
    def vehicle(self) -> Vehicle:
        """The group's vehicle."""
        return self.plan.of.car(self.one.vehicle).vehicle

    @cached_property
    def search(self) -> Search:
        """The fault there, with that kit."""
        of, one = self.plan.of, self.one
        kit = of.kit(one.kit).instruments
        return Search(played(self.plan, one), self.vehicle, kit, one.splice, one.seed)

    @cached_property
    def methods(self) -> list[Method]:
        """Every method weighed."""
        return self.search.methods()

    @cached_property
    def truth(self) -> Truth:
        """What the box is asked to do, as an answer has it."""
        feed = self.vehicle.feed_of(self.one.fuse)
        return of_profile(self.search.profile, self.plan.of.time_s, self.one.fuse, feed)

    @property
    def pattern(self) -> Pattern:
        """The commonest way in which it draws."""
        return self.truth.patterns[0]

    @property
    def face(self) -> Face | None:
        """The way in which it shows best."""
        return self.search.faces[0] if self.search.faces else None

    @cached_property
    def others(self) -> list[tuple[Assignment, Profile]]:
        """Other groups' boxes on the same vehicle."""
        return beside(self.plan, self.one)

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
                f"{profile.name}: " + "; ".join(draw_text(draw) for draw in profile.draws),
            ),
            (words("key.where"), where),
            (words("key.box"), words("key.box_text", box=one.box, slot=one.slot, seed=one.seed)),
            (words("key.starts"), f"{start_text(profile)}; {resume_text(profile)}; {limits_text(held)}"),
            (words("key.expected"), self._expected()),
        ]
        for other, played_there in self.others:
            draws = "; ".join(draw_text(draw) for draw in played_there.draws)
            told = words("key.beside_text", group=other.group, fuse=other.fuse, draws=draws)
            rows.append((words("key.beside"), told))
        yield ho.Heading(words("key.fault"))
        yield ho.Facts(tuple(rows))

    def _expected(self) -> str:
        words, one = self.words, self.one
        rows = [row for row in self.methods if row.shows and row.isolates and row.time is not None]
        if not rows:
            return words("key.none")
        best = min(rows, key=lambda row: row.time.p95_s if row.time else math.inf)
        document = best.document()
        expected = one.expected_s if one.expected_s is not None else document["expected_s"]
        p95 = one.p95_s if one.p95_s is not None else document["p95_s"]
        difficulty = "\u2013" if one.difficulty is None else f"{one.difficulty:g}"
        told = words("key.expected_text", expected=_time(expected), p95=_time(p95), difficulty=difficulty)
        return f"{told}; {words('key.method')}: {best.method}"

    def _answers(self) -> Iterator[ho.Block]:
        words, of, pattern = self.words, self.plan.of, self.pattern
        rows: list[tuple[ho.Cell, ...]] = []
        kit = of.kit(self.one.kit).instruments
        values: dict[str, Any] = {
            "current": pattern.level_a, "duration": pattern.duration_s, "interval": pattern.period_s,
        }  # fmt: skip
        for name in COLUMNS:
            points = str(of.points[name])
            if name in values:
                if not len(values[name]):
                    rows.append((words(f"item.{name}"), "\u2013", "", "\u2013"))
                    continue
                low, high = float(min(values[name])), float(max(values[name]))
                within = tolerances.allowed(name, pattern, kit, self.vehicle, self.one.fuse, of)
                near = within.around(high)
                truth = (
                    shown(high, name) if high - low <= near else f"{shown(low, name)} .. {shown(high, name)}"
                )
                rows.append(
                    (words(f"item.{name}"), truth, f"\u00b1 {shown(near, name, 2)} ({within.why})", points)
                )
            else:
                truth = {
                    "circuit": self.one.fuse,
                    "kind": pattern.kinds[0],
                    "evidence": words("key.evidence"),
                }[name]
                rows.append((words(f"item.{name}"), truth, "", points))
        yield ho.Heading(words("key.answer"))
        head = tuple(words(f"key.head.{name}") for name in ("item", "truth", "tolerance", "points"))
        yield ho.Table(head, tuple(rows), (0.14, 0.3, 0.46, 0.1), right=(3,))
        others = "; ".join(_pattern(pattern) for pattern in self.truth.patterns[1:])
        if others:
            yield ho.Text(words("key.also", others=others), ho.SMALL)

    def _readings(self) -> Iterator[ho.Block]:
        words = self.words
        kit = self.plan.of.kit(self.one.kit).instruments
        rows = tuple(
            (f"{number}. {words(f'sheet.step.{name}')}", self._reading(name))
            for number, (name, _) in enumerate(steps(kit, self.vehicle), start=1)
        )
        yield ho.Heading(words("key.readings"))
        head = (words("key.head.step"), words("key.head.reading"))
        yield ho.Table(head, rows, (0.48, 0.52))

    def _reading(self, name: str) -> str:
        return str(getattr(self, f"_at_{name}")())

    # One method for each step of the sheet, by its name.

    def _at_rest(self) -> str:
        site = self.search.site
        volts = site.supply_mv(site.profile.board.own_ua / 1e6) / 1000
        return self.words("key.reading.rest", volts=f"{volts:.2f}")

    def _at_sleep(self) -> str:
        return self.words("key.reading.sleep", time=_time(self.search.site.sleep_s()))

    def _at(self, where: str = BATTERY) -> tuple[float, float, float]:
        """What flows at a place of the sleeping vehicle, A: its own, all between pulses, all at most."""
        face, site = self.face, self.search.site
        others_a = sum(
            train.base_a(profile) for other, profile in self.others if where in (BATTERY, other.fuse)
        )
        if face is None:
            own_a = site.circuit.amps(where, 0.0, 0.0, None) + others_a
            return own_a, own_a, own_a
        flows = site.currents(face, where)
        own_a, high_a = flows.own + others_a, flows.level + flows.size + others_a
        return own_a, flows.level + others_a if face.pulsed else high_a, high_a

    def _at_asleep(self) -> str:
        own_a, base_a, _ = self._at()
        key = "key.reading.asleep_steady" if self.pattern.steady else "key.reading.asleep_pulse"
        return self.words(key, total=_ma(base_a), fault=_ma(base_a - own_a), own=_ma(own_a))

    def _at_highest(self) -> str:
        meter, face = self.search.kit.meter, self.face
        assert meter is not None
        _, base_a, high_a = self._at()
        share = 1.0 if face is None else weigh.filled(face, meter.capture_s)
        scale = next((r for r in meter.ranges if r.most_a >= high_a), meter.ranges[-1])
        total = _ma(_stepped(base_a + share * (high_a - base_a), scale.step_a))
        if share < WHOLE and high_a > base_a:
            share_pct, capture = f"{100 * share:.0f}", _time(meter.capture_s)
            return self.words("key.reading.highest_short", total=total, share=share_pct, capture=capture)
        return self.words("key.reading.highest", total=total)

    def _at_lowest(self) -> str:
        return self.words("key.reading.lowest", total=_ma(self._at()[1]))

    def _at_record(self) -> str:
        return self.words("key.reading.record")

    def _own(self) -> str:
        return ", ".join(
            f"{t.name} {_ma(t.draw_a)} {_time(t.on_ticks / TICKS_PER_S)}" for t in self.vehicle.twitches
        )

    def _at_pulses(self) -> str:
        words, pattern = self.words, self.pattern
        own = self._own()
        if pattern.steady:
            return words("key.reading.pulses_steady", own=own or "\u2013")
        said = words(
            "key.reading.pulses",
            level=shown(pattern.level_a[1], "current"),
            duration=_range(pattern.duration_s, "duration"),
        )
        return said + (words("key.reading.own_twitch", own=own) if own else "")

    def _at_starts(self) -> str:
        if not len(self.pattern.period_s):
            return "\u2013"
        return self.words("key.reading.starts", interval=_range(self.pattern.period_s, "interval"))

    def _at_feeds(self) -> str:
        return self.words("key.reading.feeds", feed=self.vehicle.feed_of(self.one.fuse))

    def _at_drops(self) -> str:
        site, one = self.search.site, self.one
        millivolts = {
            fuse.name: [1000 * site.fuse_ohms(fuse.name) * amps for amps in self._at(fuse.name)]
            for fuse in self.vehicle.fuses
        }
        others = [values[0] for name, values in millivolts.items() if name != one.fuse] or [0.0]
        _, base, high = millivolts[one.fuse]
        return self.words(
            "key.reading.drops", fuse=one.fuse, base=f"{base:.2f}", high=f"{high:.2f}",
            least=f"{min(others):.2f}", most=f"{max(others):.2f}",
        )  # fmt: skip

    _at_drops_hand = _at_drops

    def _resleep_s(self) -> float:
        return self.search.site.wakes().pulled_s(frozenset())

    def _at_out(self) -> str:
        site = self.search.site
        left_a = self._at()[0] - site.asleep_a(self.one.fuse)
        return self.words("key.reading.out", total=_ma(left_a), resleep=_time(self._resleep_s()))

    def _at_back(self) -> str:
        site = self.search.site
        return self.words("key.reading.back", back=_time(site.return_s()), resleep=_time(site.sleep_s()))

    def _at_done(self) -> str:
        time_s = self.plan.of.time_s
        charge = f"{self.search.site.mean_a() * time_s / 3600:.2g} Ah"
        return self.words("key.reading.done", charge=charge, time=_time(time_s))

    def _picture(self) -> Iterator[ho.Block]:
        words = self.words
        kit = self.plan.of.kit(self.one.kit).instruments
        if kit.recorder is not None and kit.clamp is not None:
            yield ho.Heading(words("key.picture"))
            yield ho.Picture(self._png(), words("key.picture_alt"), PICTURE_MM)
        edges = islice(timeline.edges(self.search.profile, round(self.plan.of.time_s) * TICKS_PER_S), EDGES)
        told = ", ".join(f"{tick / TICKS_PER_S:g} s {level / 1000:g} mA" for tick, level in edges)
        yield ho.Facts(((words("key.timeline"), told),))

    def shown_s(self) -> float:
        """How long the picture is: some pulses."""
        if not len(self.pattern.period_s):
            return 60.0
        return min(max(SHOWN_PULSES * float(self.pattern.period_s.mean()), LEAST_SHOWN_S), MOST_SHOWN_S)

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
            document = row.document()
            told = [_setting(key, row.settings[key]) for key in SETTINGS if key in row.settings]
            rows.append(
                (row.method, _time(document["expected_s"]), _time(document["p95_s"]), ", ".join(told))
            )
        yield ho.Heading(words("key.settings"))
        head = tuple(words(f"key.head.{name}") for name in ("method", "expected", "p95", "settings"))
        yield ho.Table(head, tuple(rows), (0.24, 0.11, 0.11, 0.54), right=(1, 2))

    def _hints(self) -> Iterator[ho.Block]:
        words, site = self.words, self.search.site
        feed = self.vehicle.feed_of(self.one.fuse)
        face = self.face
        first = words("key.hint.wait_steady")
        if face is not None and face.pulsed:
            first = words(
                "key.hint.wait_pulse", wait=_time(max(LEAST_WATCH_S, 3 * self.search.wait95_s(face)))
            )
        texts = [
            words("key.hint.asleep", sleep=_time(site.sleep_s())) + " " + first,
            words("key.hint.feed", feed=feed),
            words("key.hint.pair", pair=self._pair(feed)),
            words("key.hint.fuse", fuse=self.one.fuse),
        ]
        hints = self.plan.of.hints_s
        # The last hints that there are times for: fewer times skip the vaguest but one.
        chosen = texts if len(hints) >= len(texts) else [texts[0], *texts[1:][: len(hints) - 1]][: len(hints)]
        rows = [(words("key.hint_at", time=_time(at)), text) for at, text in zip(hints, chosen, strict=False)]
        pulled = next((row.why for row in self.methods if row.method == pulling.NAME), "")
        yield ho.Heading(words("key.hints"))
        yield ho.Facts((*rows, (words("key.pulled"), pulled)))

    def _pair(self, feed: str) -> str:
        """The fuse and a neighbour, in the order of the fuse box."""
        names = [fuse.name for fuse in self.vehicle.fuses if fuse.feed == feed]
        at = names.index(self.one.fuse)
        pair = names[at : at + 2] if at + 1 < len(names) else names[max(at - 1, 0) : at + 1]
        return ", ".join(pair)


def _pattern(pattern: Pattern) -> str:
    """A way in which the fault draws, as an answer to all items."""
    told = [pattern.kinds[0], shown(pattern.level_a[1], "current")]
    if len(pattern.duration_s):
        told.append(_range(pattern.duration_s, "duration"))
    if len(pattern.period_s):
        told.append(_range(pattern.period_s, "interval"))
    return ", ".join(told)


def _stepped(amps: float, step_a: float) -> float:
    return round(amps / step_a) * step_a


def _ma(amps: float) -> str:
    return shown(round(amps, 4), "current")


def _time(seconds: float | None) -> str:
    """A time for people: tenths of a second below ten, whole seconds below two minutes, then minutes."""
    if seconds is None or math.isinf(seconds):
        return "\u2013"
    if seconds < 10:
        return f"{seconds:.2g} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.2g} h"


def _range(values: Any, item: str) -> str:
    low, high = shown(float(min(values)), item), shown(float(max(values)), item)
    return low if low == high else f"{low} .. {high}"


def _setting(key: str, value: Any) -> str:
    name, _, unit = key.rpartition("_")
    text = f"{value:.3g}" if isinstance(value, float) else str(value)
    if unit not in SETTING_UNITS:
        return f"{key.replace('_', ' ')} {text}"
    return f"{name.replace('_', ' ')} {text} {SETTING_UNITS[unit]}"
