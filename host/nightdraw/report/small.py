"""A chart as a small picture for a printed page: one strip, thin, in ink that a copier keeps."""

from __future__ import annotations

import io

import numpy as np

from nightdraw.report.chart import Chart, label, ticks

SIZE_IN, DPI = (7.2, 1.75), 200
COLUMNS = 1400
INK = "#111111"
LABELS = 8


def png(chart: Chart) -> bytes:
    """The first strip of the chart as PNG."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE_IN, dpi=DPI, layout="constrained")
    axes = figure.add_subplot()
    strip = chart.strips[0]
    shape = strip.band.line(COLUMNS)
    if np.array_equal(shape.low, shape.high, equal_nan=True):
        axes.plot(shape.t_s, shape.low, color=INK, linewidth=0.8)
    else:
        axes.fill_between(shape.t_s, shape.low, shape.high, color=INK, linewidth=0.5, step="mid")
    top = float(np.nanmax(shape.high, initial=0.0))
    axes.set_ylim(min(0.0, float(np.nanmin(shape.low, initial=0.0))), 1.08 * max(top, 1.0))
    axes.set_ylabel(strip.unit, fontsize=8)
    at_s, step_s = ticks(chart.begin_s, chart.end_s, LABELS)
    axes.set_xlim(chart.begin_s, chart.end_s)
    axes.set_xticks(at_s, [label(t_s, step_s, chart.end_s) for t_s in at_s])
    axes.tick_params(labelsize=7.5)
    axes.grid(alpha=0.35, linewidth=0.5, linestyle=":")
    axes.spines[["top", "right"]].set_visible(False)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
