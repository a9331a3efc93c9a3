"""A run's temperatures as a picture: bodies, air and wall over time, with the limits that matter."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from nightdraw.bank.thermal import WarmUp
from nightdraw.errors import InputError

FORMATS = (".png", ".svg", ".pdf")
WIDTH_IN, HEIGHT_IN = 9.0, 5.0
MOST_BODIES = 4  # the hottest; more lines are not told apart
MINUTES = 60.0


def draw(path: str | Path, run: WarmUp, names: Sequence[str], title: str, wall_limit_c: float) -> None:
    """Write the picture (PNG, SVG or PDF by its suffix); raises InputError for another suffix.

    names: one a channel, in the order of the run's columns; air and wall come behind them.
    """
    suffix = Path(path).suffix
    if suffix.lower() not in FORMATS:
        raise InputError(
            f"a plot is written as {', '.join(FORMATS)}, not as {suffix or 'a file without suffix'}"
        )
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), layout="constrained")
    axes = figure.add_subplot()
    minutes = run.times_s / MINUTES
    hottest = sorted(range(len(names)), key=lambda column: -run.peaks_c[column])[:MOST_BODIES]
    for column in sorted(hottest):
        axes.plot(minutes, run.temps_c[:, column], label=f"{names[column]}, peak {run.peaks_c[column]:.0f} C")
    axes.plot(minutes, run.temps_c[:, -2], "k--", label=f"air inside, peak {run.air_c:.0f} C")
    axes.plot(minutes, run.temps_c[:, -1], "k-", linewidth=2, label=f"wall, peak {run.wall_c:.0f} C")
    axes.axhline(wall_limit_c, color="tab:red", linestyle=":", label=f"wall limit {wall_limit_c:.0f} C")
    axes.set_xlabel("time in minutes")
    axes.set_ylabel("temperature in C")
    axes.set_title(title)
    axes.grid(alpha=0.3)
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False)
    try:
        figure.savefig(path)
    except OSError as error:
        raise InputError(f"the plot can't be written to {path}: {error.strerror or error}") from None
