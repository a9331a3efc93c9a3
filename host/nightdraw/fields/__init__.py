"""Every file format as tables: a `Record` of `Field`s, each with its `Form`, its default and its meaning.

From one table come the reader with its messages (`record`, `forms`), the writer, the JSON Schema for editors
and the manual's table (`published`). It knows units and places, and nothing of what the keys are for.
"""

from nightdraw.fields.forms import (
    NAME,
    YES,
    Bounds,
    ByKey,
    Choice,
    Defs,
    Either,
    Form,
    Listed,
    Placed,
    Quantity,
    Span,
    Text,
    Whole,
)
from nightdraw.fields.held import (
    CDEG,
    EXACT,
    FLOAT,
    FLOAT_SHARE,
    MAS,
    MV,
    SHARE,
    TICKS,
    UA,
    Held,
)
from nightdraw.fields.mapping import Fields, in_range, items, read_with, whole_number
from nightdraw.fields.record import ExactlyOne, Field, KeysBy, Read, Record, When
from nightdraw.fields.writer import as_yaml

__all__ = [
    "CDEG", "EXACT", "FLOAT", "FLOAT_SHARE", "MAS", "MV", "NAME", "SHARE", "TICKS", "UA", "YES",
    "Bounds", "ByKey", "Choice", "Defs", "Either", "ExactlyOne", "Field", "Fields", "Form", "Held", "KeysBy",
    "Listed",
    "Placed", "Quantity", "Read", "Record", "Span", "Text", "When", "Whole",
    "as_yaml", "in_range", "items", "read_with", "whole_number",
]  # fmt: skip
