"""`python run.py bench`: every benchmark, as ratios against a peer or a bound of the same run.

No number here fails anything: machines differ, ratios much less.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks import book, core, live, long, recordings, simulation, vehicle
from tests.benchmarks.measure import Ratio

SUITES = (core.run, simulation.run, recordings.run, long.run, vehicle.run, book.run, live.run)


def ratios(folder: Path) -> Iterator[Ratio]:
    """Run the suites one after the other."""
    for suite in SUITES:
        yield from suite(folder)


def main() -> int:
    """Print a table as it grows."""
    print(f"{'what':44} {'ours':>11} {'peer':>11} {'ratio':>8}  the peer or bound")
    with tempfile.TemporaryDirectory() as folder:
        for ratio in ratios(Path(folder)):
            print(ratio.line(), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
