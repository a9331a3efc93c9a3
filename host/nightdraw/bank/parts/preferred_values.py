"""Preferred resistor values: the series of IEC 60063 through the eseries library, as exact ohms in a range.

Which values exist; which of them to use is decided in sizing.
"""

from __future__ import annotations

from fractions import Fraction

from nightdraw.errors import Finding, InputError, nearest

SERIES = ("E6", "E12", "E24", "E48", "E96")
# 0.1 ohm to 1 Mohm: below, contacts and wiring are as large as the part; above, 12 V drives 12 uA, which the
# leakage of switches and a damp board already reach. The board file accepts the same range.
OHMS_RANGE = (Fraction(1, 10), Fraction(1_000_000))


def series_values(name: str, low: Fraction, high: Fraction) -> list[Fraction]:
    """The values of a series (`E24`, ...) from `low` to `high` ohms, both included, ascending and exact.

    Source: IEC 60063, by way of eseries. Raises InputError for a name that is none of SERIES.
    """
    from eseries import ESeries, series  # only sizing needs it

    if name not in SERIES:
        message = f"no series of preferred values is called {name!r}: there are {', '.join(SERIES)}"
        raise InputError(Finding(message, hint=nearest(name.upper(), SERIES)))
    base = series(ESeries[name])
    digits = len(str(base[0])) - 1
    found = []
    for decade in range(-3, 8):
        scale = Fraction(10) ** (decade - digits)
        found += [value * scale for value in base if low <= value * scale <= high]
    return sorted(found)
