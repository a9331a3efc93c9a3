"""A run's temperatures as a picture: the resistors nearest to their limits, air and wall over time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from nightdraw import outputs
from nightdraw.bank.heat.warm_up import WarmUp
from nightdraw.errors import InputError

FORMATS = (".png", ".svg", ".pdf")
WIDTH_IN, HEIGHT_IN = 9.0, 5.0
MOST_LINES = 4  # the hottest; more lines are not told apart
MINUTES = 60.0


def draw(
    path: str | Path,
    run: WarmUp,
    limits_c: Sequence[float],
    title: str,
    air_limit_c: float,
    wall_limit_c: float,
) -> None:
    """Write the picture (PNG, SVG or PDF by its suffix); raises InputError for another suffix.

    limits_c: one a channel, in the order of the run's columns; air and wall come behind them.
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
    nearest = sorted(range(len(limits_c)), key=lambda column: limits_c[column] - run.peaks_c[column])
    for column in sorted(nearest[:MOST_LINES]):
        label = f"channel {column + 1}: {run.peaks_c[column]:.0f} of {limits_c[column]:.0f} C"
        axes.plot(minutes, run.temps_c[:, column], linewidth=0.7, label=label)
    air = f"air inside: {run.air_c:.0f} of {air_limit_c:.0f} C"
    wall = f"wall's hottest spot: {run.wall_c:.0f} of {wall_limit_c:.0f} C"
    axes.plot(minutes, run.temps_c[:, -2], "k--", label=air)
    axes.plot(minutes, run.temps_c[:, -1], "k-", linewidth=2, label=wall)
    axes.axhline(wall_limit_c, color="tab:red", linestyle=":", label="wall's limit to the touch")
    axes.set_xlabel("time in minutes")
    axes.set_ylabel("temperature in C")
    axes.set_title(title)
    axes.grid(alpha=0.3)
    title = "peak of limit; the resistors nearest to theirs"
    axes.legend(title=title, loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False)
    with outputs.replacing(Path(path)) as made:
        figure.savefig(made, format=suffix[1:].lower())
