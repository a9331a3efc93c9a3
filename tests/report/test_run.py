"""The picture of a run is drawn whatever accounts there are, and what it shows is what it was given."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from nightdraw.errors import InputError
from nightdraw.report import run as report
from nightdraw.report.run import LevelCurve, RunPicture, Samples


def course(pulses: int, end_s: float) -> LevelCurve:
    t_s = np.concatenate(([0.0], np.linspace(0.05, 0.95, 2 * pulses) * end_s))
    level = np.concatenate(([40.0], np.tile([390.0, 40.0], pulses)))
    return LevelCurve(t_s, level, end_s, f"{pulses} pulses")


def samples(end_s: float) -> Samples:
    def blocks() -> Iterator[tuple[report.Floats, report.Floats]]:
        t_s = np.arange(0, end_s, 0.001)
        for piece in np.array_split(t_s, 3):
            yield piece, 40 + np.where(piece % 1 < 0.1, 350.0, 0.0)

    return Samples(blocks, end_s, "seen")


def picture(**change: object) -> RunPicture:
    accounts = {"asked": course(5, 10.0), "did": course(5, 10.0), "seen": samples(10.0)}
    values: dict[str, object] = {
        "title": "restless-module",
        "verdict": "the accounts agree",
        "agree": True,
        "accounts": accounts,
        "end_s": 10.0,
        "marks": [],
        "near": (2.0, 0.1),
    }
    return RunPicture(**(values | change))  # type: ignore[arg-type]


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_it_is_written_in_the_format_of_its_suffix(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"run{suffix}"
    report.draw(path, picture())
    assert path.read_bytes()[:5].strip() in (b"\x89PNG\r\n"[:5].strip(), b"<?xml", b"%PDF-")
    assert path.stat().st_size > 5000


@pytest.mark.parametrize("given", [("asked", "did"), ("seen",), ("did", "seen")])
def test_any_accounts_and_no_pulse_from_near(tmp_path: Path, given: tuple[str, ...]) -> None:
    every = picture().accounts
    shown = picture(accounts={name: every[name] for name in given}, near=None, agree=None)
    report.draw(tmp_path / "run.png", shown)
    assert (tmp_path / "run.png").exists()


def test_words_of_the_picture(tmp_path: Path) -> None:
    """Text stays text in an SVG."""
    import matplotlib

    with matplotlib.rc_context({"svg.fonttype": "none"}):
        report.draw(
            tmp_path / "run.svg", picture(marks=[(3.0, "missing")], agree=False, verdict="they differ")
        )
    text = (tmp_path / "run.svg").read_text(encoding="utf-8")
    for word in ("restless-module: they differ", "asked, the program", "did, the box's journal", "missing"):
        assert word in text.replace("&#x27;", "'")
    assert text.count("current, mA") == 4


def test_a_course_with_many_corners_is_still_quick_to_draw(tmp_path: Path) -> None:
    many = course(20_000, 3600.0)
    shown = picture(accounts={"asked": many, "seen": samples(10.0)}, end_s=3600.0, near=(180.0, 0.04))
    report.draw(tmp_path / "run.svg", shown)
    assert (tmp_path / "run.svg").stat().st_size < 3_000_000


def test_what_can_not_be_written_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"\.png, \.svg, \.pdf, not as \.txt"):
        report.draw(tmp_path / "run.txt", picture())
    with pytest.raises(InputError, match="its folder isn't there"):
        report.draw(tmp_path / "nowhere" / "run.png", picture())
