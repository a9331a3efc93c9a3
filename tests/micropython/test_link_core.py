"""The instrument's conversations and its answers to noise, under CPython and under real MicroPython."""

from __future__ import annotations

from pathlib import Path
from random import Random

from tests.boxcore import noise
from tests.micropython import runner, talk_board

LINES = 400
SCRIPT = Path(__file__).with_name("talk_board.py")


def test_the_same_conversations_and_the_same_answers_to_noise(seed: int, tmp_path: Path) -> None:
    rng = Random(seed)
    sent = b"".join(noise.line(rng) for _ in range(LINES))
    (tmp_path / "noise").write_bytes(sent)
    held = runner.run(SCRIPT, str(tmp_path / "noise"), str(tmp_path / "answers"))
    assert int(held) == len(talk_board.CASES) * len(talk_board.WAYS)
    assert (tmp_path / "answers").read_bytes() == talk_board.answers_to(sent) + talk_board.seals()
