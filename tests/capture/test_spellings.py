"""How a cell and a file's first bytes are read: numbers, blanks and marks, and which encoding it is."""

from __future__ import annotations

import math

import pytest
from nightdraw.capture.read import cells, source


@pytest.mark.parametrize(
    ("text", "written", "due"),
    [
        ("time;current in mA", "utf-8", "utf-8"),
        ("Zeit;Stromstärke in µA", "utf-8", "utf-8"),
        ("Zeit;Stromstärke in µA", "latin-1", "latin-1"),
    ],
)
def test_a_head_that_is_no_utf_8_is_latin_1(text: str, written: str, due: str) -> None:
    assert source._encoding(text.encode(written) + b"; 1.0; 2.0") == due


@pytest.mark.parametrize("letter", ["ä", "\u20ac", "\U0001d6c0"])
def test_a_letter_that_the_end_of_the_head_cuts_is_no_other_encoding(letter: str) -> None:
    whole = b"0123456789" + letter.encode()
    for cut in range(len(letter.encode())):
        assert source._encoding(whole[: len(whole) - cut]) == "utf-8"
    assert source._encoding(b"ab\xe4cdefghi") == "latin-1"


@pytest.mark.parametrize("cell", ["", "  ", "\t"])
def test_an_empty_cell_is_no_number_and_no_error(cell: str) -> None:
    for decimal in (cells.POINT, cells.COMMA):
        assert math.isnan(cells.Form(decimal).number(cell))
