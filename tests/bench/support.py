"""What the bench's tests share: small programs, and a world that plays one."""

from __future__ import annotations

from boxcore import program as pg
from boxcore.board import Board
from boxcore.schedule import Schedule
from nightdraw import programs
from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.plant import Plant, SwitchDefect
from nightdraw.bench.world import World

S = pg.TICKS_PER_S
CHANNELS_NS = tuple(100_000 << k for k in range(10))  # 10 kohm halved down to 20 ohm: 1.26 mA steps at 12.6 V
OWN_UA = 11_000
CAPS = {
    "supply_min_mv": 9_000,
    "supply_max_mv": 16_000,
    "run_ticks": 100 * 3600 * S,
    "charge_mas": 144_000_000,
    "bank_temp_cdeg": 11_000,
}


def board(channels_ns=CHANNELS_NS, monitor=True) -> Board:
    return Board("bench-test", channels_ns, range(2, 12), OWN_UA, monitor, CAPS)


def world(faults: tuple[SwitchDefect, ...] = (), true_ns=CHANNELS_NS, monitor=True, **plant) -> World:
    return World(board(monitor=monitor), Plant(true_ns, OWN_UA, monitor, faults, **plant))


def program(*draws, **fields) -> pg.Program:
    fields = {"run_ticks": 100 * 3600 * S, "charge_mas": 100_000_000, **fields}
    return pg.Program("bench-test", draws, **fields)


PULSED = program((pg.STEADY, 40_000), (pg.PULSE, 350_000, 7_000, 30_000, 12_345))


def block(data: bytes) -> bytes:
    """A definite-length block, by hand (IEEE 488.2, 7.7.6)."""
    size = str(len(data)).encode()
    return b"#" + str(len(size)).encode() + size + data


def send(link: BenchLink, plan: pg.Program, slot: int = 0) -> None:
    link.feed(b"PROG:EXPL:DEF SLOT%d," % slot + block(programs.pack(plan)) + b"\n")
    assert link.feed(b"SYST:ERR?\n") == b'0,"No error"\n'


def run(at: World, plan: pg.Program, slot: int = 0) -> BenchLink:
    """Send a program and arm it; it starts by its own rule."""
    link = BenchLink(at)
    send(link, plan, slot)
    link.feed(b"PROG:EXPL:STAT SLOT%d,RUN\n" % slot)
    assert link.feed(b"SYST:ERR?\n") == b'0,"No error"\n'
    return link


def levels(plan: pg.Program, ticks: int, number: int = 1) -> list[tuple[int, int]]:
    """The run's edges as the schedule alone gives them: (tick, microamperes)."""
    return list(programs.edges(Schedule(plan, number, OWN_UA), ticks))


def changes(at: World) -> list[tuple[int, float]]:
    """The true current since the trace began, as (tick, amperes) pairs."""
    span = at.seen()
    return list(zip(span.ticks.astype(int).tolist(), span.amps.tolist(), strict=True))
