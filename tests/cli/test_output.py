"""What goes into a JSON document, and when progress is shown."""

from __future__ import annotations

import io
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from nightdraw.cli import output
from nightdraw.errors import Finding, printable


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


class Clock:
    """Seconds that pass only when the test says so."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_a_document_takes_what_the_packages_compute_with() -> None:
    document = {"a": Fraction(1, 4), "b": np.float64(0.5), "c": np.arange(2), "d": Path("x"), "e": None}
    assert json.loads(output.dumps(document)) == {"a": 0.25, "b": 0.5, "c": [0, 1], "d": "x", "e": None}


@pytest.mark.parametrize("value", [float("inf"), float("nan")])
def test_a_number_that_json_lacks_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        output.dumps({"a": value})


def test_an_unknown_thing_is_refused() -> None:
    with pytest.raises(TypeError):
        output.dumps({"a": object()})


@pytest.mark.parametrize("stream", [Terminal(), io.StringIO()])
def test_short_work_shows_no_progress(stream: io.StringIO) -> None:
    clock = Clock()
    shown = output.Progress("simulating", 10, stream, clock)
    for _ in range(10):
        clock.now_s += 0.09
        shown.advance()
    shown.end()
    assert stream.getvalue() == ""


def test_long_work_redraws_one_line_on_a_terminal() -> None:
    clock, stream = Clock(), Terminal()
    shown = output.Progress("simulating", 4, stream, clock)
    for _ in range(4):
        clock.now_s += 1
        shown.advance()
    shown.end()
    lines = "".join(f"\rsimulating: {percent} %" for percent in (25, 50, 75, 100))
    assert stream.getvalue() == lines + "\n"


def test_long_work_writes_few_lines_into_a_log() -> None:
    clock, stream = Clock(), io.StringIO()
    shown = output.Progress("simulating", 60, stream, clock)
    for second in range(60):
        clock.now_s += 1
        shown.reach(second + 1)
    shown.end()
    assert stream.getvalue().splitlines() == [f"simulating: {100 * s // 60} %" for s in range(1, 60, 10)]


# Control characters of both sets (ISO/IEC 6429, from memory), the escape among them; the characters that turn
# the direction of writing (Unicode Annex 9, explicit formatting characters, from memory); line ends beyond
# the usual; half a character of UTF-16.
STEERING = [
    *map(chr, range(0x20)), *map(chr, range(0x7F, 0xA0)), *"\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e",
    *"\u2066\u2067\u2068\u2069", "\u2028", "\u2029", "\ud800", "\ufeff",
]  # fmt: skip


def test_no_text_from_outside_steers_a_terminal() -> None:
    for character in STEERING:
        said = printable(f"a{character}b")
        assert said.isprintable()
        assert said.startswith("a\\")
        assert said.endswith("b")
    for text in ("", "plain text", "Prüfstand 3 Ω µA", "日本"):
        assert printable(text) == text


def test_lines_stay_lines_only_where_they_are_our_own() -> None:
    assert printable("a\n\tb\x1b", lines=True) == "a\n\tb\\x1b"
    assert printable("a\n\tb") == "a\\n\\tb"


def test_findings_are_printable_whatever_they_quote() -> None:
    finding = Finding("it says \x1b[2J", file="\x9b1m.csv", hint="\u202etry")
    assert finding.text().isprintable()
    assert all(str(value).isprintable() for value in finding.document().values())
    assert Finding("a\nb").text() == "a\nb"


def test_what_is_said_is_printable(capsys: pytest.CaptureFixture[str]) -> None:
    output.say("name \x1b]0;title\x07\nnext")
    assert capsys.readouterr().out == "name \\x1b]0;title\\x07\nnext\n"
