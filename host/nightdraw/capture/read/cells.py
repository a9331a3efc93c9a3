"""What the cells of a text mean: numbers in either dialect, blanks, marks of a range that was exceeded.

One cell at a time for deciding and for messages, whole columns by Arrow for reading; both by the same rules.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
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

_POINT = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")
_COMMA = re.compile(r"[-+]?(\d+(,\d+)?|,\d+)([eE][-+]?\d+)?")
_GROUPED_BY_COMMA = re.compile(r"[-+]?[1-9]\d{0,2}(,\d{3})+(\.\d*)?")
_GROUPED_BY_POINT = re.compile(r"[-+]?[1-9]\d{0,2}(\.\d{3})+(,\d*)?")
_EITHER_COMMA = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")  # 29,797: thousands or decimals
_EITHER_POINT = re.compile(r"[-+]?[1-9]\d{0,2}\.\d{3}")

_NO_NUMBER = re.compile(r"[-+]?9[.,]9\d*[eE]\+?37")  # SCPI-1999: 9.9E37 is infinity, 9.91E37 no number

POINT, COMMA = ".", ","


def is_blank(cell: str) -> bool:
    """Whether a cell says that there is no number."""
    return cell.strip().lower() in BLANKS


def is_over(cell: str) -> bool:
    """Whether a cell says that the value was beyond the range."""
    return cell.strip().strip("+-<>#.").strip().lower() in OVER or bool(_NO_NUMBER.fullmatch(cell.strip()))


def is_number(cell: str) -> bool:
    """Whether a cell is a number in one dialect or another."""
    cell = cell.strip()
    kinds = (_POINT, _COMMA, _GROUPED_BY_COMMA, _GROUPED_BY_POINT)
    return any(kind.fullmatch(cell) for kind in kinds)


def number(cell: str, decimal: str) -> float:
    """The number in a cell, nan for a blank, inf for a mark of over-range; raises ValueError."""
    cell = cell.strip()
    if is_blank(cell):
        return math.nan
    if is_over(cell):
        return math.inf
    grouped, plain = (_GROUPED_BY_COMMA, _POINT) if decimal == POINT else (_GROUPED_BY_POINT, _COMMA)
    if grouped.fullmatch(cell):
        cell = cell.replace(COMMA if decimal == POINT else POINT, "")
    elif not plain.fullmatch(cell):
        raise ValueError(f"{cell[:40]!r} is not a number")
    return float(cell.replace(COMMA, POINT))


@dataclass
class Signs:
    """What a column's cells say about its decimal sign: sure of a comma, sure of a point, and whether there
    were cells in which a comma, or a point, may as well part thousands."""

    comma: bool = False
    point: bool = False
    maybe_comma: bool = False
    maybe_point: bool = False

    def add(self, cells: Iterable[str]) -> None:
        """Count more cells in."""
        for cell in map(str.strip, cells):
            if (COMMA not in cell and POINT not in cell) or is_over(cell):
                continue
            if _EITHER_COMMA.fullmatch(cell):
                self.maybe_comma = True
            elif _EITHER_POINT.fullmatch(cell):
                self.maybe_point = True
            elif _POINT.fullmatch(cell) or _GROUPED_BY_COMMA.fullmatch(cell):
                self.point = True
            elif _COMMA.fullmatch(cell) or _GROUPED_BY_POINT.fullmatch(cell):
                self.comma = True

    @property
    def sure(self) -> bool:
        """Whether more cells could change nothing but find a contradiction."""
        return self.comma or self.point

    def decimal(self) -> str | None:
        """The decimal sign, None where no cell has any; raises ValueError where it can't be told."""
        if self.comma and self.point:
            raise ValueError("numbers with decimal commas and with decimal points in one column")
        if self.sure:
            return COMMA if self.comma else POINT
        if self.maybe_comma:
            raise ValueError("every comma stands before three digits: decimals or thousands?")
        return POINT if self.maybe_point else None  # a point is read as one where nothing speaks against it


def numbers(column: pa.StringArray, decimal: str) -> Floats:
    """The numbers of a column of texts, nan where there is none, infinite where they were beyond the range.

    Raises ValueError where a text is no number; the caller finds out which by number().
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
    text = pc.if_else(pc.fill_null(nothing, True), pa.scalar(None, pa.string()), text)
    grouped, plain = (_GROUPED_BY_COMMA, _POINT) if decimal == POINT else (_GROUPED_BY_POINT, _COMMA)
    in_groups = pc.fill_null(pc.match_substring_regex(text, f"^(?:{grouped.pattern})$"), False)
    if pc.any(in_groups).as_py():
        other = COMMA if decimal == POINT else POINT
        text = pc.if_else(in_groups, pc.replace_substring(text, other, ""), text)
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
