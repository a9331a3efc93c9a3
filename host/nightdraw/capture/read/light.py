"""Columns of plain numbers without Arrow, for a light installation: by numpy, a piece of text at a time."""

from __future__ import annotations

from io import BytesIO

import numpy as np

from nightdraw.capture.read.blocks import Floats


def columns(data: bytes, separator: str, width: int, used: list[int], comma: bool) -> Floats:
    """The used columns of a text of `width` columns, one column each, finite numbers alone.

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
