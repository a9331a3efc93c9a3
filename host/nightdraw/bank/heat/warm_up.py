"""Warm-up over a profile: temperatures of resistors, air and wall in a thermal network, from cold to the end.

Theory of operation. Lumped capacities: one node a channel (all its resistors), one for the air with what
stands in it, one for the shell. Each resistor node is linked to the air, or to the wall where it is screwed
to it, by the thermal resistance of its data sheet; air and wall by the inside film; the wall to ambient by
convection, radiation and, for plastic, conduction through the wall.

- Powers are piecewise constant: the patterns that the box's own bank picks at the highest supply.
- Within a step the network is linear and integrated exactly (thermal_network), so that a pulse of a
  millisecond and an hour of rest cost the same.
- Convection and radiation depend on temperature: the conductances are renewed every RENEW_S, with the
  temperatures at that instant (a linearly implicit step; the films change by a few percent over a step).
- The wall is one node. What its hottest spot adds comes from shell.py's steady sheet, through one lag of
  LOCAL_S: shorter than the real one, so that a peak is never too low.

Assumptions: one temperature in a resistor (a single pulse is judged by the makers' rules in overload.py),
tick jitter is nothing to heat. Cost: one eigenvalue problem a renewal, one product of matrices a segment.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from boxcore.program import TICKS_PER_S, Program
from boxcore.schedule import Schedule

from nightdraw import programs
from nightdraw.bank.heat.air import AIR_J_KGK, GAS_J_KGK, KELVIN, SEA_LEVEL_PA
from nightdraw.bank.heat.enclosure import HeatedEnclosure
from nightdraw.bank.heat.mosfet import switch_w
from nightdraw.bank.heat.mounted import MountedChannel
from nightdraw.bank.heat.shell import shell_rises
from nightdraw.bank.heat.steady_state import other_losses_w, steady_temperatures
from nightdraw.bank.heat.thermal_network import Link, ThermalNetwork
from nightdraw.bank.patterns import Floats
from nightdraw.board import BoardModel

ELECTRONICS_J_K = 40.0  # boards, wires and terminals in the air: 50 g of glass fibre and copper (derived)
# the sheet under a resistor follows its power in 10 to 30 s (derived): the shorter, on the safe side
LOCAL_S = 10.0
RENEW_S = 20.0  # conductances older than this are renewed; boxes warm in tens of minutes
MOST_TRACE = 20_000  # instants kept for the plot; of more every second one is dropped
LEAST_K = 0.5  # conductances are taken at this rise at least: at none there is no convection at all
HORIZON_S = 12 * 3600.0  # boxes settle within two to four hours; longer runs repeat what was seen

Segment = tuple[float, int]  # seconds, pattern


def patterns(board: BoardModel, program: Program, supply_mv: int) -> Iterator[Segment]:
    """The patterns of a run (run 1) at one supply, as the box would pick them, up to its end or HORIZON_S."""
    bank = board.bank()
    run_ticks = programs.numbers(program)["run_ticks"]
    ticks = min(run_ticks, board.caps["run_ticks"], int(HORIZON_S * TICKS_PER_S))
    before = None
    for tick, level_ua in programs.edges(Schedule(program, 1, board.own_ua), ticks):
        if before is not None:
            yield (tick - before[0]) / TICKS_PER_S, before[1]
        before = tick, bank.pattern(max(0, level_ua - board.own_ua), supply_mv)
    if before is not None:
        yield (ticks - before[0]) / TICKS_PER_S, before[1]


@dataclass
class ChannelUse:
    """What one channel did: longest time on without a break, seconds on, energy in joules; `lasting_s`: on
    since then."""

    longest_s: float = 0.0
    on_s: float = 0.0
    joules: float = 0.0
    lasting_s: float = 0.0

    def count(self, seconds: float, watts: float) -> None:
        """Count a segment in which the channel dissipated `watts` (0: off)."""
        self.lasting_s = self.lasting_s + seconds if watts else 0.0
        self.longest_s = max(self.longest_s, self.lasting_s)
        self.on_s += seconds if watts else 0.0
        self.joules += watts * seconds


@dataclass
class WarmUp:
    """A run's temperatures: per channel, air and the wall's hottest spot; the peaks, and a trace of (s, C of
    every one)."""

    seconds: float
    times_s: Floats
    temps_c: Floats
    peaks_c: Floats
    uses: list[ChannelUse]
    total_j: float

    @property
    def air_c(self) -> float:
        return float(self.peaks_c[-2])

    @property
    def wall_c(self) -> float:
        return float(self.peaks_c[-1])


class _Model:
    """Nodes: one a channel (all its resistors), then the air, then the wall."""

    def __init__(
        self,
        board: BoardModel,
        channels: Sequence[MountedChannel],
        box: HeatedEnclosure,
        ambient_c: float,
        supply_v: float,
    ) -> None:
        self._board = board
        self._channels = channels
        self._box = box
        self._ambient_c = ambient_c
        self._supply_v = supply_v
        count = len(channels)
        self.air, self.wall = count, count + 1
        air, _ = steady_temperatures(board, channels, box, ambient_c)
        self.sheet = shell_rises(board, channels, box, air, ambient_c)
        density = SEA_LEVEL_PA / (GAS_J_KGK * (ambient_c + KELVIN))
        self._capacities = [
            *(channel.package.heat_j_k * channel.channel.count for channel in channels),
            box.volume_m3 * density * AIR_J_KGK + ELECTRONICS_J_K,
            box.shell_j_k,
        ]
        self._watts = np.array([channel.watts(supply_v) for channel in channels])
        self._powers: dict[int, tuple[Floats, Floats]] = {}

    def network(self, rises: Floats) -> ThermalNetwork:
        """The network with its conductances at these rises over ambient."""
        self._powers = {}
        links: list[Link] = []
        for node, channel in enumerate(self._channels):
            w_k = channel.channel.count / channel.rise_k_w()
            links.append((node, self.wall if channel.on_plate else self.air, w_k))
        wall = max(float(rises[self.wall]), LEAST_K)
        air = max(float(rises[self.air]), wall + LEAST_K)
        wall_c, air_c = self._ambient_c + wall, self._ambient_c + air
        links.append((self.air, self.wall, self._box.inside_w_k(air_c, wall_c)))
        outside = self._box.outside_w(wall_c, self._ambient_c) / wall
        to_ambient = [0.0] * len(self._capacities)
        to_ambient[self.wall] = 1 / (1 / outside + self._box.through_k_w())
        return ThermalNetwork(self._capacities, links, to_ambient)

    def powers(self, pattern: int, rises: Floats) -> tuple[Floats, Floats]:
        """Every node's power, and the channels' own part, with this pattern on; the MOSFETs' share is taken
        at the air's temperature when it was first asked for since the network was made."""
        if pattern not in self._powers:
            self._powers[pattern] = self._new_powers(pattern, rises)
        return self._powers[pattern]

    def _new_powers(self, pattern: int, rises: Floats) -> tuple[Floats, Floats]:
        on = np.array([float(pattern >> node & 1) for node in range(len(self._channels))])
        channels = on * self._watts
        air_c = self._ambient_c + float(rises[self.air])
        switch = self._board.switch
        switches = 0.0
        if switch is not None:
            switches = sum(
                switch_w(switch, channel.current_a(self._supply_v), air_c)
                for channel, closed in zip(self._channels, on, strict=True)
                if closed
            )
        current = float(sum(on * np.array([each.current_a(self._supply_v) for each in self._channels])))
        standing = other_losses_w(self._board, self._supply_v, current)
        return np.concatenate([channels, [standing + switches, 0.0]]), channels


def warm_up(
    board: BoardModel,
    channels: Sequence[MountedChannel],
    box: HeatedEnclosure,
    ambient_c: float,
    supply_v: float,
    segments: Iterable[Segment],
) -> WarmUp:
    """Play segments of (seconds, pattern) from a cold box; peaks are taken where powers or conductances
    change.

    A resistor's temperature is highest at the end of its pulse, which is such a place. Air and wall move so
    slowly that the places are close enough.
    """
    model = _Model(board, channels, box, ambient_c, supply_v)
    rises = np.zeros(len(channels) + 2)
    run = _Integration(model, rises)
    uses = [ChannelUse() for _ in channels]
    total_j = 0.0
    for seconds, pattern in segments:
        watts, by_channel = model.powers(pattern, run.rises)
        run.play(seconds, watts)
        total_j += float(watts.sum()) * seconds
        for use, channel_w in zip(uses, by_channel, strict=True):
            use.count(seconds, float(channel_w))
    temps = np.array(run.trace) + ambient_c
    return WarmUp(run.now_s, np.array(run.times), temps, run.peaks + ambient_c, uses, total_j)


class _Integration:
    """State of the integration: time, temperatures, and the network with the age of its conductances."""

    def __init__(self, model: _Model, rises: Floats) -> None:
        self._model = model
        self.rises = rises
        self.peaks = rises.copy()
        self._lagging = np.zeros(len(rises) - 1)  # the watts that the sheet under the resistors has followed
        self.now_s = 0.0
        self.times = [0.0]
        self.trace = [rises]
        self._renew()

    def _renew(self) -> None:
        self._network = self._model.network(self.rises)
        self._due_s = self.now_s + RENEW_S

    def play(self, seconds: float, watts: Floats) -> None:
        """Advance by `seconds` with constant powers; split where the conductances are due for renewal."""
        left = seconds
        while left > 0:
            step = min(left, max(self._due_s - self.now_s, 0.0))
            self.rises = self._network.advance(self.rises, watts, step)
            self._lagging += (watts[:-1] - self._lagging) * -np.expm1(-step / LOCAL_S)
            self.now_s += step
            left -= step
            self.peaks = np.maximum(self.peaks, self._seen())
            if self.now_s >= self._due_s:
                self._record()
                self._renew()
        self._record()

    def _seen(self) -> Floats:
        """The rises with what the sheet adds where the resistors are; the wall's is its hottest spot."""
        above = self._model.sheet.above_k(self._lagging[:-1], float(self._lagging[-1]))
        seen = self.rises.copy()
        seen[:-2] += above[:-1]
        seen[-1] += max(0.0, float(above.max()))
        return seen

    def _record(self) -> None:
        self.times.append(self.now_s)
        self.trace.append(self._seen())
        if len(self.times) > MOST_TRACE:
            del self.times[1::2], self.trace[1::2]
