"""Profiles made at random that every check must accept, and helpers to write files and see what is found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import strategies as st
from nightdraw.errors import Finding, InputError
from nightdraw.places import Mapping, Node, Scalar, Sequence
from nightdraw.profile import load

HEAD = "profile: a\nstart: {when: power}\ndraws:\n"


def write(folder: Path, text: str | bytes, name: str = "p.yaml") -> Path:
    """A file with this content."""
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def found(path: Path, board: Any = None) -> list[tuple[int | None, int | None, str]]:
    """(line, column, message) of every finding; empty where the profile is accepted."""
    try:
        load(path, board)
    except InputError as error:
        return [(f.line, f.column, f.message) for f in error.findings]
    return []


def findings(path: Path) -> tuple[Finding, ...]:
    """The findings themselves; the profile must have some."""
    with pytest.raises(InputError) as caught:
        load(path)
    return caught.value.findings


def plain(node: Node) -> Any:
    """The nodes as dicts, lists and texts."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Sequence):
        return [plain(item) for item in node.items]
    assert isinstance(node, Mapping)
    return {key: plain(entry.value) for key, entry in node.entries.items()}


def ms(low: int = 1, high: int = 100_000) -> st.SearchStrategy[int]:
    """Whole milliseconds."""
    return st.integers(low, high)


def time_text(ms: int) -> str:
    """One of the ways to write it, by its value."""
    if ms % 60_000 == 0:
        return f"{ms // 60_000} min"
    if ms % 1000 == 0:
        return f"{ms // 1000}s"
    return f"{ms} ms" if ms % 2 else f"{ms / 1000:.3f} s"


levels = st.integers(4, 100).map(lambda ma: f"{ma} mA")


@st.composite
def spans(draw: st.DrawFn) -> str:
    """A range of durations."""
    low, high = sorted((draw(ms()), draw(ms())))
    return f"{time_text(low)} .. {time_text(high)}"


@st.composite
def pulses(draw: st.DrawFn) -> dict[str, Any]:
    """A pulse draw."""
    on = draw(ms())
    every = on + draw(ms())
    value = {"draw": draw(levels), "on": time_text(on), "every": time_text(every)}
    first = draw(st.none() | ms(0))
    if first is not None:
        value["first"] = time_text(first)
    return {"pulse": value}


LAWS = ("uniform", "exponential")


@st.composite
def randoms(draw: st.DrawFn, laws: tuple[str, ...] = LAWS) -> dict[str, Any]:
    """A random draw."""
    law = draw(st.sampled_from(laws))
    gap = draw(spans()) if law == "uniform" else time_text(draw(ms()))
    on = draw(st.one_of(ms().map(time_text), spans()))
    return {"random": {"draw": draw(levels), "on": on, "gap": gap, "law": law}}


@st.composite
def replays(draw: st.DrawFn) -> dict[str, Any]:
    """A replay draw with its levels in place."""
    level = st.integers(0, 100).map(lambda ma: f"{ma} mA")
    pairs = draw(st.lists(st.tuples(level, ms().map(time_text)).map(list), min_size=1, max_size=5))
    repeat = draw(st.sampled_from(["once", "forever", "3"]))
    return {"replay": {"levels": pairs, "repeat": repeat}}


@st.composite
def documents(draw: st.DrawFn, moving: int = 5, laws: tuple[str, ...] = LAWS) -> dict[str, Any]:
    """A whole valid profile for the shipped board as plain data."""
    draws = draw(st.lists(st.one_of(pulses(), randoms(laws), replays()), min_size=1, max_size=moving))
    if draw(st.booleans()):
        draws.insert(0, {"steady": f"{draw(st.integers(11, 100))} mA"})
    start = draw(
        st.sampled_from(
            [
                {"when": "power"},
                {"when": "panel", "after": "3 s"},
                {"when": "supply-rest", "below": "13.0 V", "steady": "60 s"},
            ]
        )
    )
    return {
        "profile": draw(st.from_regex(r"[a-z][a-z0-9-]{0,31}", fullmatch=True)),
        "about": "Made at random.",
        "start": start,
        "draws": draws,
        "resume": draw(st.sampled_from(["restart", "continue", "stay-off"])),
        "seed": str(draw(st.integers(0, 2**32 - 1))),
    }


def dump(document: dict[str, Any]) -> str:
    """The document as YAML."""
    text: str = yaml.safe_dump(document, sort_keys=False)
    return text
