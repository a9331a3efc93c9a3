"""A locked box on the bench, asked everything that it answers while it plays: nothing goes with the edges.

The supply has 0.1 ohm before it, so that a pulse moves it by 35 mV: what an open box answers is found at once
by the same test, and so is a leak that was planted. A test's false alarms are one in a thousand (leak.ALARM),
the whole of a run's answers together.
"""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from boxcore import commands, commands_common
from boxcore import program as pg
from nightdraw.bench.instrument import BenchLink

from tests import leak
from tests.bench import support
from tests.boxcore.test_lock import STORED
from tests.micropython import doors

S = support.S
MINUTES = 25
PLAN = support.program(
    (pg.STEADY, 40_000), (pg.RANDOM, 350_000, 2_000, 20_000, pg.UNIFORM, 10_000, 80_000), seed=4
)
EVENTS = ("*CLS", "STAT:PRES")  # what a class may send between its questions


def questions() -> list[str]:
    """Everything that a locked box answers, lock's own exchange left out: it begins with a host's share."""
    rows = [row[commands.HEADER] for row in doors.rows() if row[commands.LOCKED] == commands_common.OPEN]
    found = [row.replace("[", "").replace("]", "") for row in rows if row.endswith("?")]
    found = [header for header in found if not header.endswith((":SHARe?", ":CONFirm?", "CLOCk?"))]
    return [header + " 7" if header.endswith("SEAL?") else header for header in found]


def playing(locked: bool) -> tuple[support.World, BenchLink, list[float]]:
    """A box that plays PLAN, and the seconds of its edges from now on, for MINUTES."""
    world = support.world(source_uohm=100_000)
    world.store.write("lock", STORED)
    world.store.sync()
    world.cut_power()
    world.restore_power()
    assert world.box is not None
    world.box.lock.locked = False
    link = support.run(world, PLAN)
    world.advance(5 * S)
    zero = world.box.run_started
    assert zero is not None
    now = world.box_now
    edges = [tick + zero - now for tick, _ in support.levels(PLAN, 2 * MINUTES * 60 * S)]
    edges_s = [tick / S for tick in edges if 0 < tick < MINUTES * 60 * S]
    world.box.lock.locked = locked
    return world, link, edges_s


def asked(rng: Random, link: BenchLink, world: support.World, lines: list[str]) -> tuple[list[float], dict]:
    """Ask everything at random instants: those in seconds, and the answers to each line."""
    at_s: list[float] = []
    answers: dict[str, list[str]] = {line: [] for line in lines}
    start = world.tick
    while (world.tick - start) / S < MINUTES * 60 - 5:
        world.advance(rng.randrange(S, 9 * S))
        at_s.append((world.tick - start) / S)
        for line in lines:
            answers[line].append(link.feed(line.encode() + b"\n").decode().strip())
        if rng.random() < 0.1:
            link.feed(rng.choice(EVENTS).encode() + b"\n")
    return at_s, answers


def test_no_answer_of_a_locked_box_goes_with_the_edges(seed: int) -> None:
    rng = Random(seed)
    world, link, edges_s = playing(locked=True)
    lines = questions()
    at_s, answers = asked(rng, link, world, lines)
    assert len(edges_s) > 200
    assert len(at_s) > 200
    assert all(all(said) for said in answers.values())
    series = [leak.numbers(said) for said in answers.values()]
    assert leak.p_value(at_s, series, edges_s, MINUTES * 60, rng) > leak.ALARM
    assert len(set(answers["MEASure:SCALar:VOLTage:DC?"])) <= MINUTES // 10 + 2


def test_the_same_test_finds_what_an_open_box_tells(seed: int) -> None:
    rng = Random(seed)
    world, link, edges_s = playing(locked=False)
    lines = ["MEASure:SCALar:VOLTage:DC?", "DIAGnostic:STATe?"]
    at_s, answers = asked(rng, link, world, lines)
    supply, state = (leak.numbers(answers[line]) for line in lines)
    assert leak.p_value(at_s, [supply, state], edges_s, MINUTES * 60, rng) <= leak.ALARM
    assert leak.p_value(at_s, [state], edges_s, MINUTES * 60, rng) == 1


@pytest.mark.parametrize("kind", ["level", "edge"])
def test_the_same_test_finds_a_planted_leak_deep_in_noise(seed: int, kind: str) -> None:
    """A reading that moves by 0.8 of its noise in the pulses, or by 2.5 of it within 0.5 s of an edge."""
    rng = Random(seed)
    _, _, edges_s = playing(locked=True)
    at_s = sorted(rng.uniform(0, MINUTES * 60) for _ in range(600))
    number = np.searchsorted(edges_s, at_s, "right")
    since_s = np.array(at_s) - np.array([0.0, *edges_s])[number]
    planted = 0.8 * (number % 2) if kind == "level" else 2.5 * (since_s < 0.5)
    read = [rng.gauss(0, 1) + shift for shift in planted]
    assert leak.p_value(at_s, [read], edges_s, MINUTES * 60, rng) <= leak.ALARM


@pytest.mark.campaign
def test_noise_alone_alarms_as_rarely_as_is_said(seed: int) -> None:
    """300 tests of noise at an alarm of 5 %: 15 alarms are expected, 35 are five standard deviations off."""
    rng = Random(seed)
    _, _, edges_s = playing(locked=True)
    alarms = 0
    for _ in range(300):
        at_s = [rng.uniform(0, MINUTES * 60) for _ in range(200)]
        read = [rng.gauss(0, 1) for _ in at_s]
        alarms += leak.p_value(at_s, [read], edges_s, MINUTES * 60, rng, shifts=399) <= 0.05
    assert alarms < 35
