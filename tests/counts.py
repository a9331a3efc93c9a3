"""How many tries a campaign makes: `python run.py campaigns` makes them all, CI a stated part of them.

A figure that a document states comes from the whole count; the part shows in CI's time that nothing has
broken. Both are drawn from the run's seed, both print their count beside the rate.
"""

from __future__ import annotations

import os

WHOLE = os.environ.get("NIGHTDRAW_WHOLE_CAMPAIGNS") == "1"  # as run.py sets it


def tries(whole: int, part: int) -> int:
    """The count of a campaign: all of it, or the part for CI."""
    return whole if WHOLE else part
