"""Times of day and dates as recorders write them, in whole columns: seconds since the first day.

A date whose day and month could be either is never guessed. Zones count, leap seconds don't.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from nightdraw.capture.read.blocks import Floats
from nightdraw.capture.read.cells import floats
from nightdraw.capture.read.columns import CLOCK, DATE, DAY_FIRST, MONTH_FIRST, STAMP

if TYPE_CHECKING:
    import pyarrow as pa

DAY_S = 86_400.0
HALF_DAY_S = DAY_S / 2  # a clock that falls by more than this has passed midnight, it wasn't put back
_MONTHS = {name: k for k, name in enumerate(
    ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"), 1)}  # fmt: skip

_CLOCK = (
    r"(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,:](?P<f>\d{1,9}))?)?(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_YEAR_FIRST = r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}"
_NUMBERS = r"\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d{2})"
_WORDED = r"(?:\d{1,2}[-/. ]+[A-Za-z]{3,9}\.?[-/., ]+\d{4}|[A-Za-z]{3,9}\.?[-/ ]+\d{1,2}[-/., ]+\d{4})"
_DATE = rf"(?:{_YEAR_FIRST}|{_NUMBERS}|{_WORDED})"
_ZONE = r"(?P<zone>Z|UTC|GMT|[+-]\d{2}:?\d{2})?"
_STAMP = rf"(?P<date>{_DATE})(?:[T_]|[,;]?\s+){_CLOCK}\s*{_ZONE}"
_KINDS = {CLOCK: re.compile(_CLOCK), DATE: re.compile(_DATE), STAMP: re.compile(_STAMP)}
_IS_ISO = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:?\d\d)?")


def kind_of(cell: str) -> str | None:
    """CLOCK for a time of day (09:12:01.250), DATE for a date alone, STAMP for both, None for else."""
    return next((kind for kind, pattern in _KINDS.items() if pattern.fullmatch(cell.strip())), None)


def is_iso(cell: str) -> bool:
    """Whether a cell is a stamp that Arrow reads by itself."""
    return bool(_IS_ISO.fullmatch(cell.strip()))


def has_zone(cell: str) -> bool:
    """Whether a stamp names its zone."""
    match = _KINDS[STAMP].fullmatch(cell.strip())
    return bool(match and match["zone"])


class DateOrder:
    """Which of the first two numbers of a date is the day, as far as the dates so far tell.

    given: DAY_FIRST or MONTH_FIRST, told by a person, or None.
    """

    def __init__(self, given: str | None) -> None:
        self.given = given
        self.asked = False  # whether there was a date that needs it
        self._firsts = self._seconds = 0
        self._dotted = True

    def add(self, cells: Iterable[str]) -> None:
        """Count in more dates or stamps."""
        for cell in cells:
            match = re.match(r"\s*(\d{1,2})([-/.])(\d{1,2})[-/.]\d", cell)
            if match:
                self.asked = True
                self._firsts = max(self._firsts, int(match[1]))
                self._seconds = max(self._seconds, int(match[3]))
                self._dotted = self._dotted and match[2] == "."

    @property
    def sure(self) -> bool:
        """Whether nothing is open any more."""
        return not self.asked or self.given is not None or max(self._firsts, self._seconds) > 12

    def order(self) -> str:
        """DAY_FIRST or MONTH_FIRST; raises ValueError where both could be."""
        orders = {DAY_FIRST} if self._firsts > 12 else set()
        orders |= {MONTH_FIRST} if self._seconds > 12 else set()
        if self.given is not None:
            orders.add(self.given)
        if len(orders) > 1:
            raise ValueError("dates with the day first and with the month first")
        if orders:
            return orders.pop()
        if self._dotted:
            return DAY_FIRST  # with points between, dates are written so wherever they are (common practice)
        raise ValueError("dates whose day and month could be either")


def day_of(text: str, order: str) -> int:
    """The day's number in the calendar of a date; raises ValueError."""
    words = re.findall(r"\d+|[A-Za-z]+", text)
    if any(word.isalpha() for word in words):
        month = next(_MONTHS.get(word[:3].lower(), 0) for word in words if word.isalpha())
        day, year = (int(word) for word in words if word.isdigit())
    else:
        a, b, c = (int(word) for word in words)
        if len(words[0]) == 4:
            year, month, day = a, b, c
        else:
            day, month = (a, b) if order == DAY_FIRST else (b, a)
            year = c + 2000 if len(words[2]) == 2 else c
    return dt.date(year, month, day).toordinal()


def date_part(cell: str) -> str:
    """The date of a date or a stamp."""
    match = _KINDS[STAMP].fullmatch(cell.strip())
    return match["date"] if match else cell.strip()


def nanoseconds(day: int) -> int:
    """From 1970 to a day of that number in the calendar."""
    return (day - dt.date(1970, 1, 1).toordinal()) * int(DAY_S) * 10**9


def clock_s(column: pa.StringArray) -> Floats:
    """Seconds since midnight of times of day, nan for nothing; raises ValueError for anything else."""
    return _seconds(_parts(column, _CLOCK))


def date_s(column: pa.StringArray, order: str, zero_day: int) -> Floats:
    """Seconds of dates from the day of that number in the calendar; raises ValueError."""
    import pyarrow.compute as pc

    days = pc.utf8_trim_whitespace(column)
    return _each(days, lambda text: (day_of(text, order) - zero_day) * DAY_S, np.nan)


def _each(column: Any, seconds: Callable[[str], float], nothing: float) -> Floats:
    """Seconds of a column of texts of which few differ; nothing: those of no text."""
    import pyarrow.compute as pc

    coded = pc.dictionary_encode(column)
    known = np.array([seconds(text.as_py()) for text in coded.dictionary] + [nothing])
    at = floats(coded.indices)
    return known[np.where(np.isnan(at), len(known) - 1, at).astype(np.int64)]


def stamp_s(column: pa.StringArray, order: str, zero_day: int) -> Floats:
    """Seconds of stamps from that day on, in universal time where they name a zone; raises ValueError."""
    parts = _parts(column, _STAMP)
    whole = date_s(_field(parts, "date"), order, zero_day) + _seconds(parts)
    return whole - _each(_field(parts, "zone"), _offset_s, 0.0)


def _parts(column: pa.StringArray, pattern: str) -> Any:
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(column)
    parts = pc.extract_regex(text, f"^(?:{pattern})$")
    if parts.null_count > text.null_count:
        raise ValueError("not a time")
    return parts


def _field(parts: Any, name: str) -> Any:
    import pyarrow.compute as pc

    return pc.struct_field(parts, name)


def _seconds(parts: Any) -> Floats:
    import pyarrow as pa
    import pyarrow.compute as pc

    def whole(name: str) -> Floats:
        text = _field(parts, name)
        return floats(pc.if_else(pc.equal(text, ""), "0", text).cast(pa.float64()))

    fraction = _field(parts, "f")
    share = floats(pc.binary_join_element_wise("0.", fraction, "0", "").cast(pa.float64()))
    hours, minutes, seconds = whole("h"), whole("m"), whole("s")
    if np.any(hours > 24) or np.any(minutes > 59) or np.any(seconds > 60):
        raise ValueError("not a time")
    half = pc.utf8_lower(_field(parts, "half"))
    noon = floats(pc.equal(half, "p").cast(pa.float64()))
    halved = floats(pc.not_equal(half, "").cast(pa.float64()))
    hours = np.where(halved > 0, hours % 12 + 12 * noon, hours)
    return 3600 * hours + 60 * minutes + seconds + share


def _offset_s(zone: str) -> float:
    digits = zone[1:].replace(":", "")
    if not digits.isdigit():
        return 0.0
    size_s = 3600.0 * int(digits[:2]) + 60.0 * int(digits[2:])
    return -size_s if zone[0] == "-" else size_s


class Midnights:
    """Adds a day wherever a time of day falls by more than half a day, from block to block."""

    def __init__(self) -> None:
        self._days_s = 0.0
        self._last_s: float | None = None

    def added(self, clock: Floats) -> Floats:
        """The same instants, ever growing over midnights; nan stays."""
        good = np.isfinite(clock)
        if not good.any():
            return clock
        times = clock[good]
        steps = np.diff(times, prepend=times[0] if self._last_s is None else self._last_s)
        passed = (steps < -HALF_DAY_S).astype(float) - (steps > HALF_DAY_S)
        days_s = self._days_s + DAY_S * np.cumsum(passed)
        self._days_s, self._last_s = float(days_s[-1]), float(times[-1])
        out = clock.copy()
        out[good] = times + days_s
        return out
