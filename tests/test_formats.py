"""Each format's reader and its published schema take and refuse alike, but for what a schema can't say.

What is refused by the reader alone is held against a list: the kinds of mistake that no JSON Schema tells.
"""

from __future__ import annotations

import contextlib
import json
import random
import re
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw import data, places
from nightdraw.board import load_board
from nightdraw.errors import InputError
from nightdraw.fields import Field, Record, Text
from nightdraw.instruments.assumed import load_assumed
from nightdraw.instruments.read import load_instruments
from nightdraw.lesson.classfile import load_class
from nightdraw.profile.read import load_as_written
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.script import load_script

from tests import formats
from tests.counts import tries
from tests.mutated import dump, mutated, short
from tests.profile.made import plain

TRIES = 100  # of each format in a quick run
CAMPAIGN_TRIES = tries(1000, 200)
VEHICLES = [load_vehicle(path) for path in data.shipped_paths("vehicles")]


def load_for_one_of_them(path: Path) -> object:
    """A script for the first vehicle that it suits."""
    for vehicle in VEHICLES[1:]:
        with contextlib.suppress(InputError):
            return load_script(path, vehicle)
    return load_script(path, VEHICLES[0])


LOAD: dict[str, Callable[[Path], object]] = {
    "profile": load_as_written,
    "board": load_board,
    "class": load_class,
    "vehicle": load_vehicle,
    "script": load_for_one_of_them,
    "instruments": load_instruments,
    "assumptions": load_assumed,
}
SHIPPED: dict[str, list[Path]] = {
    "profile": list(data.profile_paths()),
    "board": sorted(data.folder("hardware").glob("*.yaml")),
    "class": list(data.shipped_paths("classes")),
    "vehicle": list(data.shipped_paths("vehicles")),
    "script": list(data.shipped_paths("scripts")),
    "instruments": list(data.shipped_paths("instruments")),
    "assumptions": list(data.shipped_paths("assumptions")),
}
# What only the reader finds: what it is -> what its messages match.
READER_ONLY = {
    "bounds of a quantity": r"must be \S+ \S+ \.\. |is too (long|short|much)|draws nothing|is negative",
    "which end of a range is lower": r"range with its high end first",
    "how values agree": r"must be (below|above|shorter)|must have \w+ <|no supply is left|never starts"
    r"|is made of several|not what ohms says|leave no room|of 1000 kHz|must list four pins|already"
    r"|isn't there|on a closed latch|can't be reached"
    r"|needs stages|means nothing|with a master must|draws? more|in series"
    r"|must be at (least (what|draw)|most [0-9]+ times)|above 0|is another fault|no date",
    "what may stand there once only": r"already drives|stands (twice|on line)|is taken by",
    "a program's size and speed": r"bytes, at most|edges/s|too large",
    "names that must exist": r"there is no|can't have|must be a module|isn't known|is a child"
    r"|has no (such|alternator|sensor|splice|fuse|defect|support)",
    "a text that only looks like a quantity": r"is out of range",
    "a whole number that isn't in plain digits": r"whole number of .* not '[-+0-9]*[.eE]",  # as 5.0
}


class _Editor(yaml.SafeLoader):
    """Numbers as numbers, all else as texts: how a YAML 1.2 editor hands a file to its schema."""

    yaml_implicit_resolvers = {}  # noqa: RUF012 - PyYAML's own way


for tag, shape, of in (
    ("int", r"[-+]?[0-9]+", int),
    ("float", r"[-+]?[0-9]+\.[0-9]*([eE][-+]?[0-9]+)?", float),
):
    _Editor.add_implicit_resolver(f"tag:yaml.org,2002:{tag}", re.compile(f"{shape}$"), list("-+0123456789"))
    _Editor.add_constructor(f"tag:yaml.org,2002:{tag}", lambda _, node, of=of: of(node.value))


def as_editors_read(text: str) -> Any:
    """A file's text as an editor reads it."""
    return yaml.load(text, _Editor)


def verdicts(name: str, document: Any, folder: Path) -> tuple[list[str], bool]:
    """What the reader finds, and whether the schema takes it."""
    text = dump(document)
    path = folder / "made.yaml"
    path.write_text(text, "utf-8")
    try:
        LOAD[name](path)
        found = []
    except InputError as error:
        found = [finding.message for finding in error.findings]
    schema = json.loads(formats.FORMATS[name].path.read_text("utf-8"))
    return found, jsonschema.Draft202012Validator(schema).is_valid(as_editors_read(text))


def told(messages: list[str]) -> str | None:
    """The kind of what only the reader finds; None where a schema could have told one of the messages."""
    kinds = [
        next((kind for kind, said in READER_ONLY.items() if re.search(said, message)), None)
        for message in messages
    ]
    return None if None in kinds else kinds[0]


def compare(name: str, tries: int, folder: Path) -> Counter[str]:
    """The verdicts on so many documents, counted; fails where they differ for no listed reason."""
    counts: Counter[str] = Counter()
    bases = [short(plain(places.read(path)[0])) for path in SHIPPED[name]]
    for beside in (path for shipped in SHIPPED[name] for path in shipped.parent.glob("*.csv")):
        shutil.copy(beside, folder)

    @settings(max_examples=tries, deadline=None, database=None)
    @given(st.randoms(use_true_random=False))
    def alike(choose: random.Random) -> None:
        document = mutated(choose.choice(bases), choose)
        found, valid = verdicts(name, document, folder)
        if not found:
            assert valid, f"the schema refuses what the reader takes:\n{dump(document)}"
            counts["taken by both"] += 1
        elif not valid:
            counts["refused by both"] += 1
        else:
            kind = told(found)
            assert kind is not None, f"the schema takes what the reader refuses, {found}:\n{dump(document)}"
            counts[f"by the reader alone: {kind}"] += 1

    alike()
    return counts


@pytest.mark.parametrize("name", formats.FORMATS)
def test_reader_and_schema_take_and_refuse_alike(name: str, tmp_path: Path) -> None:
    counts = compare(name, TRIES, tmp_path)
    print(f"{name}: {dict(counts)}")
    assert counts["taken by both"] > TRIES / 50, "too few documents were sound"
    assert counts["refused by both"] > TRIES / 5, "too few documents were wrong"


@pytest.mark.campaign
@pytest.mark.parametrize("name", formats.FORMATS)
def test_reader_and_schema_take_and_refuse_alike_in_many(name: str, tmp_path: Path) -> None:
    print(f"{name}: {dict(compare(name, CAMPAIGN_TRIES, tmp_path))}")


@pytest.mark.parametrize("name", formats.FORMATS)
def test_every_field_says_what_it_means(name: str) -> None:
    silent = [way for way, field in formats.keys(formats.FORMATS[name].record).items() if not field.meaning]
    assert not silent


@pytest.mark.parametrize("name", formats.FORMATS)
def test_every_default_is_one_that_the_field_takes(name: str) -> None:
    for field in formats.keys(formats.FORMATS[name].record).values():
        field.absent()


def test_a_key_that_was_renamed_in_its_table_is_read_by_its_name_in_the_model(tmp_path: Path) -> None:
    """One edit of the table: value, place and messages follow; the old key is unknown from then on."""
    fields = (Field("fresh", Text(), "For people.", True, to="stale"), Field("other", Text(), "For people."))
    record = Record("a thing", fields)
    (tmp_path / "new.yaml").write_text("other: x\nfresh: y\n")
    root, findings = places.read(tmp_path / "new.yaml")
    read = record.open(root, findings)
    assert (read["stale"], read["fresh"], read["other"]) == ("y", "y", "x")
    assert (read.key("stale"), "stale" in read) == ("fresh", True)
    assert read.named() == {"stale": "y", "other": "x"}
    assert (read.key_place("stale").line, read.value_place("stale").column) == (2, 8)
    findings.stop()
    (tmp_path / "old.yaml").write_text("stale: y\n")
    root, findings = places.read(tmp_path / "old.yaml")
    record.open(root, findings)
    with pytest.raises(InputError, match=r"unknown key 'stale'(.|\n)*lacks the key 'fresh'"):
        findings.stop()
