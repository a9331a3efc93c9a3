"""Preferred resistor values: the series of IEC 60063 through the eseries library, as exact ohms in a range.

Only which values exist lives here; which of them to use is search's business.
"""

from __future__ import annotations

from fractions import Fraction

from nightdraw.errors import nearest

SERIES = ("E6", "E12", "E24", "E48", "E96")
# 0.1 ohm to 1 Mohm: below, contacts and wiring are as large as the part; above, 12 V drives 12 uA, which the
# leakage of switches and a damp board already reach. The board file accepts the same range.
OHMS_RANGE = (Fraction(1, 10), Fraction(1_000_000))


class UnknownSeriesError(ValueError):
    """The name is none of SERIES; the message says which there are."""


def series_values(name: str, low: Fraction, high: Fraction) -> list[Fraction]:
    """The values of a series (`E24`, ...) from `low` to `high` ohms, both included, ascending and exact.

    Source: IEC 60063, by way of eseries. Raises UnknownSeriesError.
    """
    from eseries import ESeries, series  # only sizing needs it

    if name not in SERIES:
        hint = nearest(name.upper(), SERIES)
        raise UnknownSeriesError(f"the series is one of {', '.join(SERIES)}" + (f", {hint}" if hint else ""))
    base = series(ESeries[name])
    digits = len(str(base[0])) - 1
    found = []
    for decade in range(-3, 8):
        scale = Fraction(10) ** (decade - digits)
        found += [value * scale for value in base if low <= value * scale <= high]
    return sorted(found)
