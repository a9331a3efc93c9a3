"""What the cells of a text mean: numbers in either dialect, blanks, marks of a range that was exceeded.

One cell at a time for deciding and for messages, whole columns by Arrow for reading; both by the same rules.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from nightdraw.capture.read.blocks import Floats

if TYPE_CHECKING:
    import pyarrow as pa

BLANKS = ("", "nan", "-nan", "null", "none", "na", "n/a", "-", "--", "---", "----", "#n/a", "?", "invalid")
BLANK_SPELLINGS = tuple(
    dict.fromkeys(s for blank in BLANKS for s in (blank, blank.upper(), blank.capitalize(), "NaN", "N/a"))
)
# What meters and recorders write for a value beyond their range; signs and points are taken off before.
OVER = ("ol", "o.l", "over", "overload", "overrange", "over range", "over-range", "overflow", "ovld", "ovrng",
        "ovr", "ovfl", "ovf", "off scale", "out of range", "under", "underrange", "inf", "infinity", "1.#inf",
        "clip", "clipped", "sat", "saturated")  # fmt: skip

_NO_NUMBER = re.compile(r"[-+]?9[.,]9\d*[eE]\+?37")  # SCPI-1999: 9.9E37 is infinity, 9.91E37 no number

POINT, COMMA = ".", ","


class _Dialect:
    """How numbers look with one sign before the decimals and the other between the thousands."""

    def __init__(self, plain: str, decimal: str, other: str) -> None:
        first, group, decimal = r"[-+]?[1-9]\d{0,2}", rf"({re.escape(other)}\d{{3}})", re.escape(decimal)
        self.plain = re.compile(plain)
        self.grouped = re.compile(rf"{first}{group}+({decimal}\d*)?")
        # With a decimal sign: nothing else looks like that. Groups alone may be a number written twice.
        self.surely = re.compile(rf"{first}{group}+{decimal}\d*")
        self.groups = re.compile(rf"{first}{group}{{2,}}")
        self.either = re.compile(rf"{first}{group}")  # 29,797: thousands or decimals


_BY_POINT = _Dialect(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?", POINT, COMMA)
_BY_COMMA = _Dialect(r"[-+]?(\d+(,\d+)?|,\d+)([eE][-+]?\d+)?", COMMA, POINT)


def is_blank(cell: str) -> bool:
    """Whether a cell says that there is no number."""
    return cell.strip().lower() in BLANKS


def is_over(cell: str) -> bool:
    """Whether a cell says that the value was beyond the range."""
    return cell.strip().strip("+-<>#.").strip().lower() in OVER or bool(_NO_NUMBER.fullmatch(cell.strip()))


def is_number(cell: str) -> bool:
    """Whether a cell is a number in one dialect or another."""
    cell = cell.strip()
    return any(by.plain.fullmatch(cell) or by.grouped.fullmatch(cell) for by in (_BY_POINT, _BY_COMMA))


@dataclass(frozen=True)
class Form:
    """How numbers are written: the decimal sign (None: none seen), and whether the other sign parts
    thousands, so that 29,797 has one meaning."""

    decimal: str | None
    grouped: bool = False

    @property
    def other(self) -> str:
        """The sign that isn't the decimal one."""
        return POINT if self.decimal == COMMA else COMMA

    def patterns(self) -> tuple[re.Pattern[str], re.Pattern[str]]:
        """Numbers with thousands parted, and plain ones."""
        by = _BY_COMMA if self.decimal == COMMA else _BY_POINT
        return (by.grouped if self.grouped else by.surely), by.plain

    def number(self, cell: str) -> float:
        """The number in a cell, nan for a blank, inf for a mark of over-range; raises ValueError."""
        cell = cell.strip()
        if is_blank(cell):
            return math.nan
        if is_over(cell):
            return math.inf
        grouped, plain = self.patterns()
        if grouped.fullmatch(cell):
            cell = cell.replace(self.other, "")
        elif not plain.fullmatch(cell):
            raise ValueError(f"{cell[:40]!r} is not a number")
        return float(cell.replace(COMMA, POINT))


MOST_UNLIKELY = 10  # times as many 29,797 as 1,229,797: too many for the latter to tell what they mean


@dataclass
class Signs:
    """What a column's cells say about its decimal sign: sure of a comma, sure of a point, whether thousands
    are surely parted; and how many cells may be either (29,797) or have several groups (1,229,797)."""

    comma: bool = False
    point: bool = False
    parted: bool = False
    maybe_comma: int = 0
    maybe_point: int = 0
    groups_comma: int = 0
    groups_point: int = 0

    def add(self, cells: Iterable[str]) -> None:
        """Count more cells in."""
        for cell in map(str.strip, cells):
            if (COMMA not in cell and POINT not in cell) or is_over(cell):
                continue
            point, comma = (bool(by.surely.fullmatch(cell)) for by in (_BY_POINT, _BY_COMMA))
            maybe_comma, maybe_point = (bool(by.either.fullmatch(cell)) for by in (_BY_POINT, _BY_COMMA))
            self.parted = self.parted or point or comma
            self.maybe_comma += maybe_comma
            self.maybe_point += maybe_point
            self.groups_comma += bool(_BY_POINT.groups.fullmatch(cell))
            self.groups_point += bool(_BY_COMMA.groups.fullmatch(cell))
            plain = not maybe_comma and not maybe_point
            self.point = self.point or point or (plain and bool(_BY_POINT.plain.fullmatch(cell)))
            self.comma = self.comma or comma or (plain and bool(_BY_COMMA.plain.fullmatch(cell)))

    @property
    def settled(self) -> bool:
        """Whether more cells could change nothing but find a contradiction."""
        return (self.comma and not self.maybe_point) or (self.point and not self.maybe_comma) or self.parted

    def form(self) -> Form:
        """How the column's numbers are written; raises ValueError where it can't be told.

        A lone 29,797 among numbers with points is as likely a point that was lost as a thousand: it counts as
        thousands only where other cells part theirs for sure.
        """
        by_comma = self.parted or self.groups_comma * MOST_UNLIKELY > self.maybe_comma
        by_point = self.parted or self.groups_point * MOST_UNLIKELY > self.maybe_point
        comma = self.comma or (self.groups_point > 0 and by_point)
        point = self.point or (self.groups_comma > 0 and by_comma)
        by, odd = (by_point, self.maybe_point) if comma else (by_comma, self.maybe_comma)
        both = (comma and point) or (not comma and not point and self.maybe_comma and self.maybe_point)
        if both or ((comma or point) and odd and not by):
            raise ValueError("numbers with commas and numbers with points in one column")
        if comma or point:
            return Form(COMMA if comma else POINT, by)
        if self.maybe_comma:
            raise ValueError("every comma stands before three digits: decimals or thousands?")
        return Form(POINT if self.maybe_point else None)  # a point is one where nothing speaks against it


def mentions(column: pa.StringArray, sign: str) -> bool:
    """Whether a sign stands in any cell of a column of texts."""
    import pyarrow.compute as pc

    return bool(pc.any(pc.match_substring(column, sign)).as_py())


def numbers(column: pa.StringArray, form: Form) -> Floats:
    """The numbers of a column of texts, nan where there is none, infinite where they were beyond the range.

    Raises ValueError where a text is no number; the caller finds out which by form.number().
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(column)
    lower = pc.utf8_lower(text)
    bare = pc.utf8_trim_whitespace(pc.utf8_trim(lower, "+-<>#."))
    over = pc.or_(
        pc.is_in(bare, value_set=pa.array(OVER)),
        pc.match_substring_regex(text, f"^(?:{_NO_NUMBER.pattern})$"),
    )
    nothing = pc.or_(over, pc.is_in(lower, value_set=pa.array(BLANKS)))
    # where there is no text, what is asked of it is null, and so is what comes out of either choice
    text = pc.if_else(nothing, pa.scalar(None, pa.string()), text)
    grouped, plain = form.patterns()
    in_groups = pc.match_substring_regex(text, f"^(?:{grouped.pattern})$")
    if pc.any(in_groups).as_py():
        text = pc.if_else(in_groups, pc.replace_substring(text, form.other, ""), text)
    if not pc.all(pc.fill_null(pc.match_substring_regex(text, f"^(?:{plain.pattern})$"), True)).as_py():
        raise ValueError("not a number")
    text = pc.utf8_ltrim(pc.replace_substring(text, COMMA, POINT), "+")
    beyond = pc.fill_null(over, False).to_numpy(False)
    return np.where(beyond, np.inf, floats(text.cast(pa.float64())))


def scaled(values: Floats, factor: float) -> Floats:
    """The values times a factor; one that overflows becomes infinite, beyond every range as it was before."""
    with np.errstate(over="ignore"):
        return values if factor == 1.0 else values * factor


def floats(column: Any) -> Floats:
    """An Arrow column of numbers as float64, nan where it has none."""
    values: Floats = column.to_numpy(zero_copy_only=False).astype(np.float64, copy=False)
    return values


def plain(data: bytes, separator: str, width: int, used: list[int], comma: bool) -> Floats:
    """The used columns of a text of `width` columns, finite numbers alone, without Arrow.

    comma: decimals are behind a comma. Raises ValueError for anything else: a gap, a mark, a quotation, an
    uneven row; whoever has Arrow may know what it means.
    """
    if comma and separator != ",":
        data = data.replace(b",", b".")
    found = np.loadtxt(BytesIO(data), delimiter=separator, usecols=used, comments=None, ndmin=2)
    if data.count(separator.encode()) != len(found) * (width - 1):
        raise ValueError("uneven rows")
    if not np.isfinite(found).all():
        raise ValueError("no number in a cell")
    return found
