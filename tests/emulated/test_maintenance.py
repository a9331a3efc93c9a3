"""A host's interrupt while the board starts into maintenance: the next reset starts the box all the same."""

from __future__ import annotations

from random import Random

import pytest
from nightdraw.link import reach

from tests.counts import tries
from tests.emulated.board import Board

START_S = 1.2  # from the port's return to the prompt, with slack


def interrupted(box: Board, after_s: float) -> None:
    """Ask a box into maintenance, interrupt it so long after its port is back, and let it start."""
    boots = box.boots
    box.send("*CLS;:DIAG:MAIN\n")
    assert box.wait_boot(boots + 1)
    box.wait_usb()
    box.run(after_s)
    box.send(b"\x03")
    box.run(START_S)
    box.said()
    box.send(f"\r\nimport machine; print('mark', machine.mem32[{reach.MARK}])\r\n")
    box.read_until("mark 0\r\n")
    box.send("machine.reset()\r\n")
    assert box.wait_boot(boots + 2)
    box.wait_usb()
    box.said()
    assert "NIGHTDRAW" in box.ask("*IDN?", 30)


def test_an_interrupt_at_any_instant_of_the_start_leaves_no_mark(box: Board, seed: int) -> None:
    box.ask("*IDN?", 30)
    chance = Random(seed)
    for after_s in (0.0, chance.uniform(0, 0.4), chance.uniform(0.4, START_S)):
        interrupted(box, after_s)


@pytest.mark.campaign
def test_an_interrupt_at_many_instants_leaves_no_mark(box: Board, seed: int) -> None:
    box.ask("*IDN?", 30)
    instants, shift = tries(40, 16), Random(seed).random()
    for step in range(instants):
        interrupted(box, (step + shift) * START_S / instants)
