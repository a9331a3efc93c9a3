"""Recordings handed in as evidence: synthetic ones of known truth, whatever is claimed beside them."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from nightdraw.lesson import marking
from nightdraw.lesson.answers import Answer
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.journals import by_group, read_journals
from nightdraw.lesson.planfile import load_plan
from nightdraw.report.words import load_words

from tests.lesson import made_lesson as made

RIGHT = {"current": "350 mA", "duration": "700 ms", "interval": "75 s"}
RATE_HZ = 100


def recording(
    path: Path, seed: int, high_ma: float = 350.0, on_s: float = 0.7, every_s: float = 75.0
) -> None:
    """A clamp at the battery: 55 mA of base, pulses, 2 mA of noise, by plain numpy."""
    t_s = np.arange(0, 400, 1 / RATE_HZ)
    level = 55.0 + high_ma * ((t_s + 10) % every_s < on_s)
    level += np.random.default_rng(seed).normal(0, 2, len(t_s))
    rows = "\n".join(f"{t:.2f},{ma / 1000:.5f}" for t, ma in zip(t_s, level, strict=True))
    path.write_text(f"time_s,current_a\n{rows}\n")


@pytest.fixture
def score(tmp_path, seed):
    """The evidence item for group g1, or another one."""
    plan = load_plan(made.write(tmp_path))
    made.write_journals(tmp_path / "journals")
    journals = by_group(plan, read_journals(tmp_path / "journals"))
    folder = tmp_path / "recordings"
    folder.mkdir()

    def run(name: str, claims: dict[str, str], group: str = "g1"):
        texts = {**dict.fromkeys(COLUMNS, ""), **claims, "evidence": name}
        handed = marking.Handed({group: Answer(group, texts, "a", 1)}, journals, folder)
        found = {one.one.group: one for one in marking.mark(plan, handed, load_words())}
        return found[group].marks.items[-1]

    run.folder, run.seed = folder, seed
    return run


@pytest.mark.parametrize(
    ("claims", "points"),
    [
        (RIGHT, 2),
        ({}, 2),
        ({**RIGHT, "current": "0.39 A"}, 2),  # with the fault's own 40 mA below it
        ({**RIGHT, "interval": "48/h"}, 2),
        ({**RIGHT, "current": "35 mA"}, 1),
        ({**RIGHT, "duration": "7 s"}, 1),
        ({**RIGHT, "interval": "150 s"}, 1),
    ],
)
def test_a_recording_must_show_what_is_claimed(score, claims, points):
    recording(score.folder / "mine.csv", score.seed)
    item = score("mine.csv", claims)
    assert item.points == points, item.comment
    assert "mine.csv" in item.comment


def test_a_recorder_whose_last_digit_is_coarser_than_its_noise_shows_it_too(score):
    """0.3 mA of noise in steps of 1.2 mA: the last digit comes and goes thousands of times."""
    t_s = np.arange(0, 400, 1 / RATE_HZ)
    level = (
        55.0 + 350.0 * ((t_s + 10) % 75 < 0.7) + np.random.default_rng(score.seed).normal(0, 0.3, len(t_s))
    )
    level = np.round(level / 1.2) * 1.2
    rows = "\n".join(f"{t:.2f},{ma:.4f}" for t, ma in zip(t_s, level, strict=True))
    (score.folder / "coarse.csv").write_text(f"time_s,current_ma\n{rows}\n")
    item = score("coarse.csv", RIGHT)
    assert item.points == 2, item.comment


@pytest.mark.parametrize(
    "other", [{"high_ma": 700.0}, {"on_s": 3.0}, {"every_s": 40.0}, {"high_ma": 0.0}], ids=str
)
def test_a_recording_of_something_else_is_no_evidence(score, other):
    recording(score.folder / "other.csv", score.seed, **other)
    assert score("other.csv", RIGHT).points == 0


def test_a_steady_draw_shows_by_the_step_when_its_fuse_goes_out(score, seed):
    t_s = np.arange(0, 120, 1 / RATE_HZ)
    level = np.where(t_s < 60, 295.0, 15.0) + np.random.default_rng(seed).normal(0, 2, len(t_s))
    rows = "\n".join(f"{t:.2f},{ma:.3f}" for t, ma in zip(t_s, level, strict=True))
    (score.folder / "step.csv").write_text(f"time_s,current_ma\n{rows}\n")
    assert score("step.csv", {"current": "280 mA"}, "g2").points == 2
    assert score("step.csv", {"current": "28 mA"}, "g2").points == 1
    flat = "\n".join(
        f"{t:.2f},{15 + ma:.3f}" for t, ma in zip(t_s, level - level.mean(), strict=True) if t < 50
    )
    (score.folder / "flat.csv").write_text(f"time_s,current_ma\n{flat}\n")
    assert score("flat.csv", {"current": "280 mA"}, "g2").points == 0


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("", "No answer"),
        ("gone.csv", "no file gone.csv"),
        ("../plan.yaml", "no plain file name"),
        ("/etc/hostname", "no plain file name"),
        ("..", "no plain file name"),
        ("a\\b.csv", "no plain file name"),
        ("bad\x1b[2J.csv", "no plain file name"),
        ("link.csv", "no file"),
        ("folder", "no file"),
        ("noise.csv", "can't be measured"),
        ("empty.csv", "can't be measured"),
        ("x" * 300, "no file"),
    ],
)
def test_names_and_files_that_are_no_evidence_get_a_sentence(score, name, message):
    (score.folder / "noise.csv").write_bytes(random.Random(score.seed).randbytes(500))
    (score.folder / "empty.csv").write_text("")
    (score.folder / "folder").mkdir()
    outside = score.folder.parent / "outside.csv"
    recording(outside, score.seed)
    (score.folder / "link.csv").symlink_to(outside)
    item = score(name, RIGHT)
    assert item.points == 0
    assert message in item.comment
    assert item.comment.isprintable()
