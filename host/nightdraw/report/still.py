"""A chart as a still picture, PNG, SVG or PDF: a strip a channel, one under the other, histograms below.

It draws what it is given; nothing is measured here.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from nightdraw import outputs
from nightdraw.errors import InputError, printable
from nightdraw.report.chart import Chart, Histogram, Strip, duration_text, label, ticks
from nightdraw.report.run import ALARM, COLUMNS, DPI, FORMATS, WIDTH_IN

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Hues that any common colour vision tells apart (Okabe and Ito 2008), by what a strip shows.
INK = {"mA": "#0072B2", "mV": "#B24A00"}
NIGHT = "#1C2833"  # titles and axes
PULSE = "#009E73"
QUANTITY = {"mA": "current", "mV": "drop"}
STRIP_IN, HEAD_IN, FOOT_IN = 2.2, 1.1, 2.0
LABEL_IN = 0.06  # between a strip's numbers and its label, as matplotlib leaves it
MOST_LABELS = 10
MOST_MARKED = 400  # pulses drawn one by one
LARGE = 2000.0  # in thousandths: from here on a strip is labelled in whole units


def draw(path: Path, chart: Chart) -> None:
    """Write the picture in the format of its suffix; raises InputError where that can't be done."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    if path.suffix.lower() not in FORMATS:
        raise InputError(f"a plot is written as {', '.join(FORMATS)}, not as {path.suffix or path.name}")
    count, foot = len(chart.strips), len(chart.histograms)
    height_in = max(HEAD_IN + STRIP_IN * count, 4.0) + (FOOT_IN if foot else 0.0)
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, layout="constrained")
    heights = [STRIP_IN] * count + ([FOOT_IN] if foot else [])
    grid = figure.add_gridspec(len(heights), 1, height_ratios=heights)
    axes: list[Axes] = []
    for row, strip in enumerate(chart.strips):
        axes.append(figure.add_subplot(grid[row], sharex=axes[0] if axes else None))
        _strip(axes[-1], strip)
        axes[-1].tick_params(labelbottom=row == count - 1)
    _time(axes[-1], chart)
    _marks(axes, chart)
    _align(figure, axes)
    if foot:
        row_of = grid[count].subgridspec(1, foot)
        for k, found in enumerate(chart.histograms):
            _histogram(figure.add_subplot(row_of[k]), found)
    figure.suptitle(_plain(chart.title), fontsize=14, fontweight="bold", color=NIGHT, x=0.01, ha="left")
    axes[0].set_title(_plain(chart.note), loc="right", fontsize=9, color=NIGHT)
    form = path.suffix[1:].lower()
    with (
        outputs.replacing(path) as made,
        mpl.rc_context({"svg.hashsalt": "nightdraw", "svg.fonttype": "path"}),
    ):
        figure.savefig(made, format=form, metadata={"Date": None} if form == "svg" else None)


def _align(figure: Figure, axes: list[Axes]) -> None:
    """Put the strips' labels one under the other, left of the widest numbers: matplotlib's own align_ylabels
    measures all strips anew for each of them, whenever it draws one."""
    from matplotlib.transforms import offset_copy

    figure.draw_without_rendering()
    widest_in = max(
        (panel.bbox.x0 - text.get_window_extent().x0) / figure.dpi
        for panel in axes
        for text in panel.get_yticklabels()
    )
    for panel in axes:
        beside = offset_copy(panel.transAxes, figure, x=-widest_in - LABEL_IN, units="inches")
        panel.yaxis.set_label_coords(0.0, 0.5, transform=beside)


def _plain(text: str) -> str:
    """A name out of a file as it stands: a dollar sign would begin a formula."""
    return printable(text).replace("$", r"\$")


def _strip(axes: Axes, strip: Strip) -> None:
    shape = strip.band.line(COLUMNS)
    bottom, top = strip.reach()
    per = 1000.0 if max(top, -bottom) >= LARGE else 1.0
    ink, unit = INK[strip.unit], strip.unit if per == 1.0 else strip.unit[-1]
    if np.array_equal(shape.low, shape.high, equal_nan=True):
        axes.plot(shape.t_s, shape.low / per, color=ink, linewidth=1.0, solid_joinstyle="miter")
    else:
        axes.fill_between(shape.t_s, shape.low / per, shape.high / per, color=ink, linewidth=1.0, step="mid")
    if strip.base:
        t_s, level = np.array(strip.base).T
        axes.plot(t_s, level / per, color=PULSE, linewidth=0.9, linestyle="--")
    axes.set_title(_plain(strip.name), loc="left", fontsize=11, fontweight="bold", color=ink)
    axes.set_ylabel(f"{QUANTITY[strip.unit]}, {unit}", color=NIGHT)
    axes.set_ylim(bottom / per, top / per)
    for beyond, extreme, edge, way in (
        (shape.high > top, float(np.nanmax(shape.high, initial=0.0)), 1.0, "above"),
        (shape.low < bottom, float(np.nanmin(shape.low, initial=0.0)), 0.0, "below"),
    ):
        if beyond.any():
            _beyond(axes, shape.t_s[beyond], _amount(extreme, strip.unit), edge, way)
    axes.axhline(0, color=NIGHT, linewidth=0.5, alpha=0.4, zorder=0)
    axes.grid(axis="x", alpha=0.3, linewidth=0.6, linestyle=":")
    axes.spines[["top", "right"]].set_visible(False)


def _amount(value: float, unit: str) -> str:
    return f"{value / 1000:.4g} {unit[-1]}" if abs(value) >= LARGE else f"{value:.4g} {unit}"


def _beyond(axes: Axes, t_s: Any, words: str, edge: float, way: str) -> None:
    """Mark where a strip goes beyond its range, and how far."""
    across = axes.get_xaxis_transform()
    axes.plot(t_s, np.full(len(t_s), edge), "^" if edge else "v", color=ALARM, ms=5, transform=across)
    axes.annotate(
        f"{way}: {words}", (t_s[0], edge), xycoords=across, xytext=(6, -4 if edge else 4), color=ALARM,
        textcoords="offset points", fontsize=8, va="top" if edge else "bottom",
    )  # fmt: skip


def _time(axes: Axes, chart: Chart) -> None:
    at_s, step_s = ticks(chart.begin_s, chart.end_s, MOST_LABELS)
    axes.set_xlim(chart.begin_s, chart.end_s)
    axes.set_xticks(at_s, [label(t_s, step_s, chart.end_s) for t_s in at_s])
    axes.set_xlabel("time", color=NIGHT)


def _marks(axes: list[Axes], chart: Chart) -> None:
    if 0 < len(chart.pulses) <= MOST_MARKED:
        across = axes[0].get_xaxis_transform()
        spans = [(pulse.start_s, pulse.duration_s) for pulse in chart.pulses]
        least_s = (chart.end_s - chart.begin_s) / COLUMNS
        axes[0].broken_barh(
            [(start, max(lasting, least_s)) for start, lasting in spans], (0.0, 0.025),
            color=PULSE, transform=across,
        )  # fmt: skip
    for t_s, word in chart.events:
        for panel in axes:
            panel.axvline(t_s, color=NIGHT, linewidth=0.8, linestyle=(0, (1, 2)))
        axes[0].annotate(
            _plain(word), (t_s, 0.97), xycoords=axes[0].get_xaxis_transform(), rotation=90, fontsize=8,
            va="top", ha="right", color=NIGHT, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5,
            "alpha": 0.7},
        )  # fmt: skip


def _histogram(axes: Axes, found: Histogram) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator, NullFormatter

    axes.stairs(found.counts, found.edges, fill=True, color=PULSE, alpha=0.75)
    axes.set_title(found.title, loc="left", fontsize=10, fontweight="bold", color=NIGHT)
    axes.set_title(found.text, loc="right", fontsize=8, color=NIGHT)
    axes.set_xscale("log" if found.ratio else "linear")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda t_s, _: duration_text(t_s)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_ylabel("count", color=NIGHT)
    axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.spines[["top", "right"]].set_visible(False)
