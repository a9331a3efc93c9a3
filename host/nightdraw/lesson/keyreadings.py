"""What each step of a sheet shows: on that group's instruments, in its vehicle asleep, other boxes too."""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bench.finding import detectability, train
from nightdraw.capture.accounts import Asked
from nightdraw.lesson.keycase import Case, between, duration_text, milliamperes
from nightdraw.lesson.tolerances import shown
from nightdraw.units import TICKS_PER_S
from nightdraw.vehicle.model import BATTERY

WHOLE = 0.99  # of a pulse that MAX sees: all of it


@dataclass(frozen=True)
class Readings(Case):
    """A case whose readings are asked for by the names of a sheet's steps."""

    def reading(self, name: str) -> str:
        """What is expected at a step of `sheet.step`."""
        return str(getattr(self, f"_at_{name}")())

    # One method for each step of the sheet, by its name.

    def _at_rest(self) -> str:
        site = self.search.site
        volts = site.supply_mv(site.profile.board.own_ua / 1e6) / 1000
        return self.words("key.reading.rest", volts=f"{volts:.2f}")

    def _at_sleep(self) -> str:
        return self.words("key.reading.sleep", time=duration_text(self.search.site.sleep_s()))

    def _at(self, where: str = BATTERY) -> tuple[float, float, float]:
        """What flows at a place of the sleeping vehicle, A: its own, all between pulses, all at most."""
        signature, site = self.signature, self.search.site
        others_a = sum(
            train.base_a(profile) for other, profile in self.others if where in (BATTERY, other.fuse)
        )
        if signature is None:
            own_a = site.circuit.amps(where, 0.0, 0.0, None) + others_a
            return own_a, own_a, own_a
        flows = site.currents(signature, where)
        own_a, high_a = flows.own + others_a, flows.level + flows.size + others_a
        return own_a, flows.level + others_a if signature.pulsed else high_a, high_a

    def _at_asleep(self) -> str:
        own_a, base_a, _ = self._at()
        key = "key.reading.asleep_steady" if self.behaviour.steady else "key.reading.asleep_pulse"
        return self.words(
            key, total=milliamperes(base_a), fault=milliamperes(base_a - own_a), own=milliamperes(own_a)
        )

    def _at_highest(self) -> str:
        meter, signature = self.search.kit.meter, self.signature
        assert meter is not None
        _, base_a, high_a = self._at()
        share = 1.0 if signature is None else detectability.window_share(signature, meter.capture_s)
        scale = next((r for r in meter.ranges if r.most_a >= high_a), meter.ranges[-1])
        total = milliamperes(_stepped(base_a + share * (high_a - base_a), scale.step_a))
        if share < WHOLE and high_a > base_a:
            share_pct, capture = f"{100 * share:.0f}", duration_text(meter.capture_s)
            return self.words("key.reading.highest_short", total=total, share=share_pct, capture=capture)
        return self.words("key.reading.highest", total=total)

    def _at_lowest(self) -> str:
        return self.words("key.reading.lowest", total=milliamperes(self._at()[1]))

    def _at_record(self) -> str:
        return self.words("key.reading.record")

    def _own(self) -> str:
        return ", ".join(
            f"{t.name} {milliamperes(t.draw_a)} {duration_text(t.on_ticks / TICKS_PER_S)}"
            for t in self.vehicle.twitches
        )

    def _at_pulses(self) -> str:
        words, behaviour = self.words, self.behaviour
        own = self._own()
        if behaviour.steady:
            return words("key.reading.pulses_steady", own=own or "\u2013")
        reading = words(
            "key.reading.pulses",
            level=shown(behaviour.level_a[1], "current"),
            duration=between(behaviour.duration_s, "duration"),
        )
        return reading + (words("key.reading.own_twitch", own=own) if own else "")

    def _at_starts(self) -> str:
        if not len(self.behaviour.period_s):
            return "\u2013"
        return self.words("key.reading.starts", interval=between(self.behaviour.period_s, "interval"))

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
        return self.words(
            "key.reading.out", total=milliamperes(left_a), resleep=duration_text(self._resleep_s())
        )

    def _at_back(self) -> str:
        site = self.search.site
        return self.words(
            "key.reading.back", back=duration_text(site.return_s()), resleep=duration_text(site.sleep_s())
        )

    def _at_done(self) -> str:
        time_s = self.plan.of.time_s
        profile = self.search.profile
        account = Asked(profile.program(), 1, profile.board.own_ua).account(time_s)
        charge = f"{account.mean_ma * float(account.end_s) / 3.6e6:.2g} Ah"
        return self.words("key.reading.done", charge=charge, time=duration_text(time_s))


def _stepped(amps: float, step_a: float) -> float:
    return round(amps / step_a) * step_a
