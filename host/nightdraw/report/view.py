"""A recording, or what a program will do, as a picture: a strip a channel, one under the other.

Long ones are drawn as the band between the lowest and highest value of each column of pixels, so that no
pulse vanishes. It draws what it is given; nothing is measured here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from nightdraw import outputs
from nightdraw.errors import InputError
from nightdraw.report.envelope import Floats, envelope, parted, stairs, stairs_envelope
from nightdraw.report.run import COLUMNS, DPI, FORMATS, MOST_CORNERS, WIDTH_IN, Course, Samples

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Hues that any common colour vision tells apart (Okabe and Ito 2008), by what a strip shows.
INK = {"mA": "#0072B2", "mV": "#D55E00"}
NIGHT = "#1C2833"  # titles and axes
QUANTITY = {"mA": "current", "mV": "drop"}
STRIP_IN, HEAD_IN = 2.2, 1.1
MOST_STRIPS = 24  # more can't be told apart on a page
LARGE = 2000.0  # in thousandths: from here on a strip is labelled in whole units
MARGIN = 0.06  # of a strip's span left free above and below


@dataclass(frozen=True)
class Strip:
    """One channel: its name, its unit (mA or mV) and what it did."""

    name: str
    unit: str
    content: Course | Samples


def draw(
    path: Path | str, title: str, note: str, strips: Sequence[Strip], end_s: float, begin_s: float = 0.0
) -> None:
    """Write the picture in the format of its suffix; raises InputError where that can't be done.

    Strips go from 0 to end_s; the time axis calls their 0 begin_s.
    """
    path = Path(path)
    if path.suffix.lower() not in FORMATS:
        raise InputError(f"a plot is written as {', '.join(FORMATS)}, not as {path.suffix or path.name}")
    if len(strips) > MOST_STRIPS:
        raise InputError(
            f"{len(strips)} channels: a page shows at most {MOST_STRIPS}, name some with --channel"
        )
    import matplotlib as mpl
    from matplotlib.figure import Figure

    height_in = HEAD_IN + STRIP_IN * len(strips)
    figure = Figure(figsize=(WIDTH_IN, max(height_in, 4.0)), dpi=DPI, layout="constrained")
    axes = figure.subplots(len(strips), 1, sharex=True, squeeze=False)[:, 0]
    scale, unit = _time_unit(end_s)
    for panel, strip in zip(axes, strips, strict=True):
        _strip(panel, strip, end_s, begin_s, scale)
    axes[0].set_xlim(begin_s / scale, (begin_s + end_s) / scale)
    axes[-1].set_xlabel(f"time, {unit}", color=NIGHT)
    figure.suptitle(title, fontsize=14, fontweight="bold", color=NIGHT, x=0.01, ha="left")
    axes[0].set_title(note, loc="right", fontsize=9, color=NIGHT)
    form = path.suffix[1:].lower()
    with (
        outputs.replacing(path) as made,
        mpl.rc_context({"svg.hashsalt": "nightdraw", "svg.fonttype": "path"}),
    ):
        figure.savefig(made, format=form, metadata={"Date": None} if form == "svg" else None)


def _strip(axes: Axes, strip: Strip, end_s: float, begin_s: float, scale: float) -> None:
    t_s, low, high = _shape(strip.content, end_s)
    t_s = t_s + begin_s
    span = float(np.nanmax(high, initial=0.0)), float(np.nanmin(low, initial=0.0))
    per = 1000.0 if max(span[0], -span[1]) >= LARGE else 1.0
    ink = INK[strip.unit]
    unit = strip.unit if per == 1.0 else strip.unit[-1]
    if low is high:
        axes.plot(t_s / scale, low / per, color=ink, linewidth=1.0, solid_joinstyle="miter")
    else:
        axes.fill_between(t_s / scale, low / per, high / per, color=ink, linewidth=1.0, step="mid")
    axes.set_title(strip.name, loc="left", fontsize=11, fontweight="bold", color=ink)
    axes.set_ylabel(f"{QUANTITY[strip.unit]}, {unit}", color=NIGHT)
    free = MARGIN * (span[0] - span[1]) or 1.0
    under = free if span[1] < 0 else free / 3  # a channel that stays at zero shows as a line
    axes.set_ylim((span[1] - under) / per, (span[0] + free) / per)
    axes.axhline(0, color=NIGHT, linewidth=0.5, alpha=0.4, zorder=0)
    axes.grid(axis="x", alpha=0.3, linewidth=0.6, linestyle=":")
    axes.spines[["top", "right"]].set_visible(False)


def _shape(content: Course | Samples, end_s: float) -> tuple[Floats, Floats, Floats]:
    """Times, lowest and highest values; the same array twice for what is drawn as a line."""
    if isinstance(content, Course):
        if len(content.t_s) <= MOST_CORNERS:
            t_s, level = stairs(content.t_s, content.level_ma, content.end_s)
            return t_s, level, level
        band = stairs_envelope(content.t_s, content.level_ma, content.end_s, COLUMNS)
    else:
        band = parted(envelope(content.blocks(), 0.0, end_s, COLUMNS))
    return band.t_s, band.low, band.high


def _time_unit(end_s: float) -> tuple[float, str]:
    if end_s < 600:
        return 1.0, "s"
    return (60.0, "min") if end_s < 36_000 else (3600.0, "h")
