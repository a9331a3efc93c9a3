"""Headers, parameters and answers: the grammar of SCPI-1999, and that no text breaks it."""

from fractions import Fraction

import pytest
from boxcore import scpi_text
from boxcore.states import BoxError
from hypothesis import given
from hypothesis import strategies as st

from tests.micropython import doors

AMPERES = {"": 6, "A": 6, "MA": 3, "UA": 0}
LIMIT = 10**12


def code(action, *arguments):
    """The error that an action raises, 0 for none."""
    try:
        action(*arguments)
    except BoxError as error:
        return error.code
    return 0


@pytest.mark.parametrize(
    ("pattern", "header", "fits"),
    [
        ("SYSTem:ERRor[:NEXT]", "SYST:ERR", True),
        ("SYSTem:ERRor[:NEXT]", "SYSTEM:ERROR:NEXT", True),
        ("SYSTem:ERRor[:NEXT]", "SYST:ERROR:NEXT", True),
        ("SYSTem:ERRor[:NEXT]", "SYSTE:ERR", False),
        ("SYSTem:ERRor[:NEXT]", "SYS:ERR", False),
        ("SYSTem:ERRor[:NEXT]", "SYST", False),
        ("SYSTem:ERRor[:NEXT]", "SYST:NEXT", False),
        ("SYSTem:ERRor[:NEXT]", "SYST:ERR:NEXT:NEXT", False),
        ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "CURR", True),
        ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR:CURR:LEV:IMM:AMPL", True),
        ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "CURR:AMPL", True),
        ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "CURR:IMM:LEV", False),
        ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", "SOUR", False),
        ("PROGram[:SELected]:DELete[:SELected]", "PROG:DEL", True),
        ("PROGram[:SELected]:DELete[:SELected]", "PROG:SEL:DEL:SEL", True),
        ("*IDN", "*IDN", True),
        ("*IDN", "IDN", False),
    ],
)
def test_headers_fit_their_patterns(pattern, header, fits):
    assert scpi_text.matches(pattern, scpi_text.mnemonics(header)) == fits


@pytest.mark.parametrize(
    ("unit", "header", "rest"),
    [
        ("*IDN?", "*IDN?", ""),
        ("  syst:Err?  ", "SYST:ERR?", ""),
        (":outp:stat  on", ":OUTP:STAT", "on"),
        ("PROG:DEF? 1,2", "PROG:DEF?", "1,2"),
    ],
)
def test_a_unit_is_header_and_parameters(unit, header, rest):
    assert scpi_text.split_header(unit) == (header, rest)


@pytest.mark.parametrize(
    ("unit", "error"),
    [
        ("SETUP&", -101),
        ("@", -101),
        ('*IDN"X"', -111),
        ("OUTP,ON", -111),
        ("D#15", -111),
        ("A::B", -110),
        ("1AB", -110),
        (":", -110),
        ("A:", -110),
        ("*A:B", -110),
        ("**A", -110),
        ("A?B", -110),
        ("A??", -110),
        ("?", -110),
        ("ABCDEFGHIJKLM", -112),
        ("*ABCDEFGHIJKLM", -112),
        ("ABCDEFGHIJKL", 0),
    ],
)
def test_bad_headers(unit, error):
    assert code(lambda: scpi_text.mnemonics(scpi_text.split_header(unit)[0])) == error


@pytest.mark.parametrize(
    ("text", "microamperes"),
    [
        ("0.35", 350_000),
        (".35", 350_000),
        ("350MA", 350_000),
        ("350 mA", 350_000),
        ("350e-3A", 350_000),
        ("3.5 E -1 A", 350_000),
        ("35E+1MA", 350_000),
        ("+1.", 1_000_000),
        ("-1", -1_000_000),
        ("0.0000005", 1),
        ("-0.0000005", -1),
        ("0.00000049999", 0),
        ("4.5UA", 5),
        ("1E-32000", 0),
        ("0E32000", 0),
        ("000000000000000000000000001", 1_000_000),
        ("#HFF", 255_000_000),
        ("#b101", 5_000_000),
        ("#q17", 15_000_000),
    ],
)
def test_numbers_are_scaled_and_rounded(text, microamperes):
    items = scpi_text.parameters(text)
    assert scpi_text.scaled(items[0], AMPERES, -LIMIT, LIMIT) == microamperes


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", 0),
        ("1,2", 0),
        (" 1 , 'a' , b ", 0),
        ("1,,2", -109),
        (",", -109),
        ("1,", -109),
        ("1 2", -103),
        ("a b", -103),
        ("'a' 'b'", -103),
        ("'a", -151),
        ("'a\"", -151),
        ("'a'''", 0),
        ("1.2.3", -121),
        ("1E", -121),
        ("1E+", -121),
        ("+", -121),
        (".", -121),
        ("1A2", -121),
        ("1E32001", -123),
        ("#H", -121),
        ("#HG", -121),
        ("#B2", -121),
        ("#", -161),
        ("#X", -161),
        ("(1)", -104),
        ("@", -101),
        ("ABCDEFGHIJKLM", -141),
    ],
)
def test_parameter_syntax(text, error):
    assert code(scpi_text.parameters, text) == error


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("1 V", -131),
        ("1 MHZ", -131),
        ("ON", -148),
        ("'1'", -158),
        ("1E17", -222),
        ("1E9999", -222),
        ("2000000", -222),
    ],
)
def test_numbers_out_of_bounds(text, error):
    items = scpi_text.parameters(text)
    assert code(scpi_text.scaled, items[0], AMPERES, -LIMIT, LIMIT) == error


def test_a_number_without_a_unit_takes_no_suffix():
    assert code(scpi_text.integer(0, 255), scpi_text.parameters("1 A")[0]) == -138


@pytest.mark.parametrize(
    ("text", "value"),
    [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("0.5", True), ("-3", True)],
)
def test_booleans(text, value):
    assert scpi_text.boolean(scpi_text.parameters(text)[0]) is value


@pytest.mark.parametrize(("text", "error"), [("ONN", -224), ("'ON'", -158), ("1S", -138)])
def test_bad_booleans(text, error):
    assert code(scpi_text.boolean, scpi_text.parameters(text)[0]) == error


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("'a'", "a"),
        ('"a"', "a"),
        ("'it''s'", "it's"),
        ('"say ""x"""', 'say "x"'),
        ("''", ""),
        ('"a;b,c"', "a;b,c"),
    ],
)
def test_strings(text, value):
    assert scpi_text.string(scpi_text.parameters(text)[0]) == value


@given(st.text(st.characters(min_codepoint=32, max_codepoint=127), max_size=40))
def test_a_quoted_answer_is_a_string_parameter(text):
    assert scpi_text.string(scpi_text.parameters(scpi_text.quoted(text))[0]) == text


@given(st.integers(-(10**15), 10**15), st.integers(1, 6))
def test_decimal_text_is_exact(value, places):
    assert Fraction(scpi_text.decimal_text(value, places)) == Fraction(value, 10**places)


@given(st.integers(-(10**12), 10**12))
def test_microamperes_survive_their_text(value):
    items = scpi_text.parameters(scpi_text.decimal_text(value, 6))
    assert scpi_text.scaled(items[0], AMPERES, -LIMIT, LIMIT) == value


@given(st.decimals(-(10**6), 10**6, allow_nan=False), st.sampled_from(sorted(AMPERES)))
def test_scaling_is_exact_rounding_half_away_from_zero(value, suffix):
    exact = Fraction(value) * 10 ** AMPERES[suffix]
    rounded = int(abs(exact) + Fraction(1, 2)) * (-1 if exact < 0 else 1)
    items = scpi_text.parameters(f"{value}{suffix}")
    assert scpi_text.scaled(items[0], AMPERES, -(10**13), 10**13) == rounded


@given(st.text(st.characters(min_codepoint=1, max_codepoint=127), max_size=250))
def test_any_text_gives_words_and_items_or_one_listed_error(text):
    def take_apart():
        header, rest = scpi_text.split_header(text)
        scpi_text.mnemonics(header)
        for item in scpi_text.parameters(rest):
            scpi_text.scaled(item, AMPERES, -LIMIT, LIMIT)

    assert code(take_apart) in doors.error_texts()
