"""What the supply and the controller do to a board, as data: one row for each case that is simulated.

Waveforms are corner points of the open-circuit voltage behind a source resistance. Nothing here knows parts
or limits. Each row names its clause and which of its figures are from memory, which were seen elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

from nightdraw.bank.circuit.spice import ABSENT, BATTERY_OHMS, RESET, RUNS
from nightdraw.bank.circuit.transients import SupplySystem, system
from nightdraw.board import BoardModel

Waveform = tuple[tuple[float, float], ...]  # seconds, volts

USB_V = 5.25  # the most that USB gives (USB 2.0, 7.2.2; from memory)
CONTACT_S = 1e-5  # a plug or clamp makes contact: as good as at once
CORNERS = 40  # of an exponential
WINDOW_S = 1e-3  # for each channel alone
SETTLE_S = 0.6  # supervisor's release and bulk capacitors, several times over


@dataclass(frozen=True)
class Pulse:
    """A pulse of ISO 7637-2:2011, 5.6 (levels: annex A, level IV): volts over the supply, source resistance,
    rise, and width between its 10 % points; opened: the supply is off when it comes."""

    name: str
    about: str
    volts: float
    ohms: float
    rise_s: float
    width_s: float
    known: str
    opened: bool = False


MEMORY = "from memory"
SEEN = "volts, width and resistance as a public article on the standard has them, rise from memory"
COIL_OFF = "an inductive load is switched off beside the box"
PULSES = {
    "12 V": (
        Pulse("pulse-1", COIL_OFF, -150, 10, 1e-6, 2e-3, SEEN, True),
        Pulse("pulse-2a", "another load ends: the harness's inductance", 112, 2, 1e-6, 5e-5, MEMORY),
        Pulse("pulse-2b", "motors run on as generators behind the switch", 10, 0.05, 1e-3, 2.0, MEMORY, True),
        Pulse("pulse-3a", "switching, coupled through the harness", -220, 50, 5e-9, 1.5e-7, MEMORY),
        Pulse("pulse-3b", "switching, coupled through the harness", 150, 50, 5e-9, 1.5e-7, MEMORY),
    ),
    "24 V": (
        Pulse("pulse-1", COIL_OFF, -600, 50, 3e-6, 1e-3, MEMORY, True),
        Pulse("pulse-2a", "another load ends: the harness's inductance", 112, 2, 1e-6, 5e-5, MEMORY),
        Pulse("pulse-2b", "motors run on as generators behind the switch", 20, 0.05, 1e-3, 2.0, MEMORY, True),
        Pulse("pulse-3a", "switching, coupled through the harness", -300, 50, 5e-9, 1.5e-7, MEMORY),
        Pulse("pulse-3b", "switching, coupled through the harness", 300, 50, 5e-9, 1.5e-7, MEMORY),
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Starting:
    """A starting profile of ISO 16750-2, 4.6.3: the dip while the starter engages, the level while it turns
    (its ripple left out), and the times to, at, between and back."""

    dip_v: float
    level_v: float
    fall_s: float
    dip_s: float
    climb_s: float
    level_s: float
    back_s: float


# The severest levels, III: shape and times as public test sequences of earlier editions have them, volts from
# memory of the edition of 2012.
STARTING = {
    "12 V": Starting(3.0, 5.0, 0.005, 0.015, 0.05, 1.0, 0.1),
    "24 V": Starting(6.0, 10.0, 0.01, 0.05, 0.05, 1.0, 0.04),
}
DROP_V = {"12 V": 4.5, "24 V": 9.0}  # ISO 16750-2, 4.6.1, for 0.1 s (from memory)


@dataclass(frozen=True)
class Case:
    """One simulation. asked: what the controller asks of the channels (True all on, False all off, None each
    alone in turn); off: no gate may come near its threshold at any time; up: at the end the electronics work
    and the channels are as asked; high_s: how long a voltage above the usual lasts; still: the vehicle gives
    nothing, and nothing may flow to it."""

    name: str
    about: str
    basis: str
    waveform: Waveform
    step_s: float
    ohms: float = BATTERY_OHMS
    usb_v: float | None = None
    controller: str = RUNS
    asked: bool | None = True
    off: bool = False
    up: bool = True
    still: bool = False
    high_s: float = 0.0

    @property
    def end_s(self) -> float:
        return self.waveform[-1][0]

    @property
    def settled_s(self) -> float:
        """Where the end is read: just before it, ngspice's last instant may lie a rounding short of it."""
        return 0.999 * self.end_s

    def source(self) -> str:
        """The waveform as a SPICE value."""
        return "PWL(" + " ".join(f"{seconds:.9g} {volts:.6g}" for seconds, volts in self.waveform) + ")"


def cases(board: BoardModel) -> tuple[Case, ...]:
    """Every case of a board, by its kind of vehicle."""
    kind = system(board)
    nominal = board.supply_nominal_mv / 1000
    return (
        *_switching(board, nominal),
        *_sags(kind, nominal),
        *_overvoltages(kind, nominal),
        *(_pulsed(pulse, kind) for pulse in PULSES[kind.name]),
        *_supplies(kind, nominal),
    )


def _switching(board: BoardModel, nominal: float) -> tuple[Case, ...]:
    own = "a chosen case, no standard"
    last = WINDOW_S * (len(board.channels) + 1)
    return (
        Case("power-up", "connected; the controller still in reset, or blank", own,
             ((0, 0), (1e-3, 0), (1e-3 + CONTACT_S, nominal), (SETTLE_S, nominal)), 1e-4,
             controller=RESET, asked=False, off=True),
        Case("channels", "each channel alone in turn", own, ((0, nominal), (last, nominal)), 2e-6,
             asked=None),
        Case("power-down", "all channels on when the supply goes", own,
             ((0, nominal), (0.01, nominal), (0.011, 0), (0.2, 0)), 1e-4, up=False),
    )  # fmt: skip


def _sags(kind: SupplySystem, nominal: float) -> tuple[Case, ...]:
    low, start = DROP_V[kind.name], STARTING[kind.name]
    points = [(0.0, nominal)]
    for seconds, volts in (
        (0.05, nominal), (start.fall_s, start.dip_v), (start.dip_s, start.dip_v),
        (start.climb_s, start.level_v), (start.level_s, start.level_v), (start.back_s, nominal),
        (SETTLE_S, nominal),
    ):  # fmt: skip
        points.append((points[-1][0] + seconds, volts))
    return (
        Case("brown-out", "down to nothing and back, all channels asked for throughout",
             "ISO 16750-2, 4.5 (slow decrease and increase), quicker: 4 s instead of 0.5 V a minute",
             ((0, nominal), (2, 0), (4, nominal), (4 + SETTLE_S, nominal)), 5e-4),
        Case("drop", f"{low:g} V for 0.1 s, all channels on", "ISO 16750-2, 4.6.1 (from memory)",
             ((0, nominal), (0.05, nominal), (0.06, low), (0.16, low), (0.17, nominal), (0.8, nominal)),
             2e-4),
        Case("cranking", f"{start.dip_v:g} V, then {start.level_v:g} V for {start.level_s:g} s, channels on",
             "ISO 16750-2, 4.6.3, level III (shape seen, volts from memory)", tuple(points), 2e-4),
    )  # fmt: skip


def _overvoltages(kind: SupplySystem, nominal: float) -> tuple[Case, ...]:
    start, rise = 0.05, kind.dump_rise_s
    end = start + rise + kind.dump_s
    return (
        Case("jump-start", f"{kind.jump_v:g} V; the guard has opened the channels",
             "ISO 16750-2, 4.3 (from memory); 1 s, steady by then",
             ((0, nominal), (0.01, nominal), (0.02, kind.jump_v), (1, kind.jump_v)), 1e-3, asked=False),
        Case("load-dump", f"{kind.dump_v:g} V for {kind.dump_s:g} s, suppressed, all channels on",
             "ISO 16750-2, 4.6.4, test B (12 V: volts and time seen; 24 V: as is usual, from memory)",
             ((0, kind.rest_v), (start, kind.rest_v), (start + rise, kind.dump_v), (end, kind.dump_v),
              (end + rise, kind.rest_v), (end + 0.1, kind.rest_v)), 1e-4, high_s=kind.dump_s),
    )  # fmt: skip


def _pulsed(pulse: Pulse, kind: SupplySystem) -> Case:
    """The pulse as its open-circuit voltage: up in the rise time, then exponentially to a tenth in its
    width."""
    start = 20 * pulse.rise_s
    rest = 0.0 if pulse.opened else kind.rest_v
    points = [(0.0, kind.rest_v), (start / 2, kind.rest_v), (start, rest)]
    tau = pulse.width_s / log(10)
    for corner in range(CORNERS + 1):
        later = 3 * pulse.width_s * (corner / CORNERS) ** 2
        points.append((start + pulse.rise_s + later, rest + pulse.volts * exp(-later / tau)))
    points.append((points[-1][0] + max(pulse.rise_s, pulse.width_s), rest))
    return Case(
        pulse.name, pulse.about, f"ISO 7637-2:2011, 5.6, level IV of annex A ({pulse.known})", tuple(points),
        pulse.width_s / 50, ohms=pulse.ohms, asked=False, up=False, high_s=pulse.width_s,
    )  # fmt: skip


def _supplies(kind: SupplySystem, nominal: float) -> tuple[Case, ...]:
    still, wrong = ((0.0, 0.0), (0.5, 0.0)), -kind.reversed_v
    steady = ((0.0, nominal), (0.5, nominal))
    own = "a chosen case, no standard"
    return (
        Case("reversed", f"leads swapped, {kind.reversed_v:g} V", "ISO 16750-2, 4.7 (from memory)",
             ((0, 0), (0.01, 0), (0.01 + CONTACT_S, wrong), (0.5, wrong)), 1e-4, up=False, still=True),
        Case("usb-alone", "on the bench, every channel asked for", own, still, 1e-3, usb_v=USB_V,
             off=True, up=False, still=True),
        Case("both-supplies", "USB and the vehicle, all channels on", own, steady, 1e-3, usb_v=USB_V),
        Case("controller-out", "the controller is out of its socket, the supply is on", own, steady, 1e-3,
             controller=ABSENT, asked=False, off=True, up=False),
    )  # fmt: skip
