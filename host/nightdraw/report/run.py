"""One picture of a run: asked, did and seen under each other on one time axis, and one pulse from near.

It draws what it is given; nothing is measured or judged here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from nightdraw import outputs
from nightdraw.errors import InputError
from nightdraw.report.envelope import Floats, envelope, stairs, stairs_envelope

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import SubFigure

# Hues that any common colour vision tells apart (Okabe and Ito 2008); in print widths and dashes do.
COLOURS = {"asked": "#0072B2", "did": "#009E73", "seen": "#000000"}
ALARM = "#D55E00"
WHAT = {"asked": "asked, the program", "did": "did, the box's journal", "seen": "seen, the clamp"}
WIDTH_IN, HEIGHT_IN, DPI = 12.0, 9.0, 110
COLUMNS = 1600  # a column is narrower than a pixel of the widest panel
MOST_CORNERS = 4000  # a curve with more is drawn as an envelope
PULSE_SHARE = 0.4  # of a pulse shown on either side of it
LEAST_SHOWN_S = 0.004
EDGE_SHOWN_S = 0.012  # shown on either side of an edge
FORMATS = (".png", ".svg", ".pdf")

Blocks = Callable[[], Iterable[tuple[Floats, Floats]]]


@dataclass(frozen=True)
class LevelCurve:
    """Levels over time: level_ma[i] holds from t_s[i] on, the last to end_s; note: a few words about it."""

    t_s: Floats
    level_ma: Floats
    end_s: float
    note: str


@dataclass(frozen=True)
class Samples:
    """A recording on the run's clock: blocks() yields (seconds, mA) anew each time; note: a few words."""

    blocks: Blocks
    end_s: float
    note: str


@dataclass(frozen=True)
class RunPicture:
    """What is drawn: the accounts by name, in the order of the panels; the run's length; marks (when, a word)
    at differences; near: start and duration of the pulse that is shown from near, None for none."""

    title: str
    verdict: str
    agree: bool | None
    accounts: dict[str, LevelCurve | Samples]
    end_s: float
    marks: Sequence[tuple[float, str]]
    near: tuple[float, float] | None


def draw(path: Path | str, picture: RunPicture) -> None:
    """Write the picture in the format of its suffix; raises InputError where that can't be done."""
    path = Path(path)
    if path.suffix.lower() not in FORMATS:
        raise InputError(f"a plot is written as {', '.join(FORMATS)}, not as {path.suffix or path.name}")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DPI, layout="constrained")
    if picture.near:
        ratios = [0.55 * len(picture.accounts), 1.0]
        parts: Any = figure.subfigures(2, 1, height_ratios=ratios)
        _whole(parts[0], picture)
        _near(parts[1], picture, picture.near)
    else:
        part: Any = figure.subfigures(1, 1)
        _whole(part, picture)
    with outputs.replacing(path) as made:
        figure.savefig(made, format=path.suffix[1:].lower())


def _whole(part: SubFigure, picture: RunPicture) -> None:
    """The panels of the whole run, one an account."""
    scale, unit = _time_unit(picture.end_s)
    panels = part.subplots(len(picture.accounts), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
    for axes, (name, account) in zip(panels, picture.accounts.items(), strict=True):
        _account(axes, name, account, picture.end_s, scale)
        axes.set_title(WHAT[name], loc="left", fontsize=11, color=COLOURS[name], fontweight="bold")
        axes.set_title(account.note, loc="right", fontsize=10)
        axes.set_ylabel("current, mA")
        _plain(axes)
    panels[0].set_xlim(0, picture.end_s / scale)
    panels[0].set_ylim(bottom=0)
    panels[-1].set_xlabel(f"time since the run's start, {unit}")
    for t_s, word in picture.marks:
        panels[-1].axvline(t_s / scale, color=ALARM, linewidth=1, linestyle="--")
        panels[-1].annotate(
            f" {word}",
            (t_s / scale, 1.0),
            xycoords=("data", "axes fraction"),
            color=ALARM,
            fontsize=9,
            va="top",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
        )
    colour = "black" if picture.agree else ALARM
    part.suptitle(f"{picture.title}: {picture.verdict}", fontsize=14, color=colour, fontweight="bold")


def _account(axes: Axes, name: str, account: LevelCurve | Samples, end_s: float, scale: float) -> None:
    colour = COLOURS[name]
    if isinstance(account, LevelCurve) and len(account.t_s) <= MOST_CORNERS:
        t_s, level = stairs(account.t_s, account.level_ma, account.end_s)
        axes.plot(t_s / scale, level, color=colour, linewidth=1.1)
        return
    if isinstance(account, LevelCurve):
        shape = stairs_envelope(account.t_s, account.level_ma, account.end_s, COLUMNS)
    else:
        shape = envelope(account.blocks(), 0.0, end_s, COLUMNS)
    axes.fill_between(shape.t_s / scale, shape.low, shape.high, color=colour, linewidth=0.8, step="mid")


def _near(part: SubFigure, picture: RunPicture, near: tuple[float, float]) -> None:
    """One pulse with all accounts over each other, and its two edges from nearer still."""
    start_s, duration_s = near
    around_s = max(PULSE_SHARE * duration_s, LEAST_SHOWN_S)
    edge_s = min(EDGE_SHOWN_S, around_s + duration_s / 2)
    whole, rise, fall = part.subplots(1, 3, width_ratios=[2.0, 1.0, 1.0], sharey=True)
    _overlay(whole, picture, start_s - around_s, start_s + duration_s + around_s, start_s)
    whole.set_title("one pulse, the accounts over each other", loc="left", fontsize=11)
    whole.set_ylabel("current, mA")
    whole.set_ylim(bottom=0)
    whole.legend(loc="upper right", frameon=False, fontsize=9)
    _overlay(rise, picture, start_s - edge_s, start_s + edge_s, start_s)
    rise.set_title("its start", loc="left", fontsize=11)
    end_s = start_s + duration_s
    _overlay(fall, picture, end_s - edge_s, end_s + edge_s, end_s)
    fall.set_title("its end", loc="left", fontsize=11)


def _overlay(axes: Axes, picture: RunPicture, from_s: float, to_s: float, zero_s: float) -> None:
    scale, unit = (1e-3, "ms") if to_s - from_s < 2 else (1.0, "s")
    for name, account in picture.accounts.items():
        if isinstance(account, LevelCurve):
            t_s, level = stairs(account.t_s, account.level_ma, account.end_s)
            line = axes.plot((t_s - zero_s) / scale, level, color=COLOURS[name], label=name)[0]
            if name == "asked":  # broad and pale, so that what lies on it is seen
                line.set(linewidth=6, alpha=0.3)
            else:
                line.set(linewidth=1.4, linestyle=(0, (5, 2)))
        else:
            t_s, level = _inside(account, from_s, to_s)
            axes.plot(
                (t_s - zero_s) / scale,
                level,
                ".-",
                color=COLOURS[name],
                markersize=3,
                linewidth=0.6,
                label=name,
            )
    axes.set_xlim((from_s - zero_s) / scale, (to_s - zero_s) / scale)
    axes.set_xlabel(f"{unit} from {zero_s:.4g} s")
    _plain(axes)


def _inside(samples: Samples, from_s: float, to_s: float) -> tuple[Floats, Floats]:
    """The samples between two instants, as an envelope where they are too many for a line."""
    times, values = [np.empty(0)], [np.empty(0)]
    for t_s, value in samples.blocks():
        inside = (t_s >= from_s) & (t_s <= to_s)
        times.append(t_s[inside])
        values.append(value[inside])
    t_s, value = np.concatenate(times), np.concatenate(values)
    if len(t_s) <= MOST_CORNERS:
        return t_s, value
    shape = envelope([(t_s, value)], from_s, to_s, COLUMNS)
    return np.repeat(shape.t_s, 2), np.column_stack((shape.low, shape.high)).ravel()


def _plain(axes: Axes) -> None:
    """Our own plain look: no box, a light grid."""
    axes.grid(alpha=0.25, linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)


def _time_unit(end_s: float) -> tuple[float, str]:
    if end_s < 600:
        return 1.0, "s"
    return (60.0, "min") if end_s < 36_000 else (3600.0, "h")
