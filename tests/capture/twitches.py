"""Boxes on a circuit that other loads share, sound ones and such as differ: cases as in tests.capture.cases,
in a vehicle.

The loads are of the generator's own invention: a sleeping base, modules that wake evenly or at random, one
that falls asleep in steps. The journal has what a box writes besides its edges: its power-up, whether it
measures its bank and, in that case, what its monitor flags (a current that stands 0.1 s and more off by more
than 10 % and 3 mA, as the board's manual says).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from nightdraw.capture import read as reading
from nightdraw.capture.compare import Comparison, Place, compare
from nightdraw.capture.journal import Did, did_of

from tests.capture import cases
from tests.capture.cases import Case, a_run, given, recorder
from tests.capture.synthetic import CHANNELS_NS, OWN_MA, SUPPLY_MV, Floats, Run, Truth, plant_of

STANDS_S, OFF_SHARE, OFF_MA = 0.1, 0.1, 3.0
PLANTS = ("stuck", "open", "off value")
# a foreign pulse or one part that is off may be another load's: nothing in a recording tells that
WRONGS = (*PLANTS, *PLANTS, "missing", "moved", "longer", "tail", "restart", "other run")


def right(seed: int) -> Case:
    """A healthy box, honestly recorded, among other loads."""
    rng = np.random.default_rng((seed, 3))
    run = a_run(rng)
    return _among_loads(seed, rng, run, run.truth, "")


def wrong(seed: int) -> Case:
    """A box with a broken channel, which no edge need show, or a run that is another one."""
    rng = np.random.default_rng((seed, 6))
    kind = str(rng.choice(WRONGS))
    while True:
        run = a_run(rng)
        try:
            truth = _planted(rng, run, kind) if kind in PLANTS else cases.wrong_truth(rng, run, kind)
        except ValueError:  # no place for it in this run
            continue
        if truth is not None:
            return _among_loads(seed, rng, run, truth, kind)


def compared(case: Case) -> Comparison:
    """The verdict, as the command line asks for it."""
    monitored = case.did is not None and bool(case.did.monitor)
    return compare(case.asked, case.did, case.recording, Place(shared=True, monitored=monitored))


def _planted(rng: np.random.Generator, run: Run, kind: str) -> Truth | None:
    """Any channel that changes what the box draws by more than twice the tolerance, if only in the base."""
    channel = int(rng.integers(1, len(CHANNELS_NS) + 1))
    how: dict[str, Any] = {"stuck": channel} if kind == "stuck" else {"opened": channel}
    if kind == "off value":
        how = {"off": (channel, float(rng.choice([0.6, 0.75, 1.35, 1.7])))}
    real = plant_of(run.did, **how)
    if kind == "stuck":  # it conducts before the run and after it, too
        real = replace(real, idle_ma=OWN_MA + CHANNELS_NS[channel - 1] * 1e-9 * SUPPLY_MV)
    off = np.abs(real.level_ma - run.did.account.level_ma)
    return real if (off > cases.CLEARLY * cases.tolerance_ma(real.level_ma)).any() else None


def _among_loads(seed: int, rng: np.random.Generator, run: Run, truth: Truth, wrong: str) -> Case:
    made, _ = recorder(rng)
    t_s, ma = made.samples(truth, rng)
    ma = ma + float(rng.uniform(8, 60))
    for _ in range(int(rng.integers(1, 4))):
        ma = ma + _wakes(rng, t_s)
    if rng.random() < 0.5:
        ma = ma + _falls_asleep(rng, t_s)
    asked, did, seen = given(rng, run, reading.from_arrays(t_s, ma / 1000))
    did = did and _as_written(rng, did, truth if wrong in PLANTS else None)
    return Case(seed, asked, did, seen, wrong=wrong, instrument="vehicle")


def _as_written(rng: np.random.Generator, did: Did, real: Truth | None) -> Did:
    """The journal with its power-up, and in half of the cases a monitor and what that flags."""
    monitor = bool(rng.random() < 0.5)
    begin_s = -float(rng.uniform(1, 40))
    head = {"own_ma": OWN_MA, "channels_ns": list(CHANNELS_NS), "board": did.board, "profile": did.profile}
    head |= {"seed": did.seed, "run": did.run, "monitor": monitor, "run_start_tick": round(-begin_s * 1e4)}
    records = [{"kind": "boot", "t_s": begin_s, "supply_mv": SUPPLY_MV}, {"kind": "start", "t_s": 0.0}]
    levels = zip(did.account.t_s, did.account.level_ma, did.pattern, strict=True)
    edges = [
        {"kind": "edge", "t_s": float(t), "level_ma": float(ma), "pattern": int(p), "supply_mv": SUPPLY_MV}
        for t, ma, p in levels
    ]
    flag = _flag(did, real) if monitor and real is not None else None
    records += sorted([*edges, *([flag] if flag else [])], key=lambda record: float(str(record["t_s"])))
    for record in records:
        record |= {"boot": 1, "tick": round((float(str(record["t_s"])) - begin_s) * 1e4)}
        record |= {"position": 0} if record["kind"] == "start" else {}
    return did_of(head, records)


def _flag(did: Did, real: Truth) -> dict[str, Any] | None:
    """What the box's monitor says of the first level that stands and is off."""
    believed, measured = did.account.level_ma - OWN_MA, real.level_ma - OWN_MA
    off = np.abs(measured - believed) > OFF_SHARE * believed + OFF_MA
    told = np.flatnonzero(off & (did.account.lasting_s > STANDS_S))
    if not len(told):
        return None
    k = int(told[0])
    fault = "switch-on" if measured[k] > believed[k] else "switch-open"
    at_s = float(did.account.t_s[k]) + STANDS_S
    row = {"kind": "flag", "t_s": at_s, "fault": fault, "reading": round(float(measured[k]) * 1000)}
    return row | {"pattern": int(did.pattern[k]), "supply_mv": SUPPLY_MV}


def _wakes(rng: np.random.Generator, t_s: Floats) -> Floats:
    """A module that wakes: evenly with one length, or at random with any."""
    level = float(np.exp(rng.uniform(np.log(15), np.log(1500))))
    every_s = float(rng.uniform(4, 40))
    even = rng.random() < 0.5
    count = int(t_s[-1] / every_s) + 1
    gaps = np.full(count, every_s) if even else rng.exponential(every_s, count) + 0.5
    begin = np.cumsum(gaps) - every_s * rng.random()
    least = float(rng.uniform(0.03, 1.0))
    lasting = np.full(count, least) if even else rng.uniform(least, 3 * least, count)
    on = np.zeros(len(t_s))
    for start, length in zip(begin, lasting, strict=True):
        on[(t_s > start) & (t_s <= start + length)] = level
    return on


def _falls_asleep(rng: np.random.Generator, t_s: Floats) -> Floats:
    """What is awake at first and goes to sleep in two or three steps."""
    steps = int(rng.integers(2, 4))
    at_s = np.sort(rng.uniform(0.1, 0.8, steps)) * t_s[-1]
    levels: Floats = sum(float(rng.uniform(20, 300)) * (t_s < end) for end in at_s)
    return levels
