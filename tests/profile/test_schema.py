"""The published schemas against the checker: alike on what ships, on what is made, on named mistakes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from nightdraw import data, places
from nightdraw.board import load_board
from nightdraw.errors import InputError

from tests.profile.made import HEAD, documents, dump, found, plain, write
from tests.test_formats import as_editors_read


def schema(folder: str, name: str) -> jsonschema.Draft202012Validator:
    """The validator of a shipped schema, itself checked."""
    content = json.loads((data.folder(folder) / name).read_text())
    jsonschema.Draft202012Validator.check_schema(content)
    return jsonschema.Draft202012Validator(content)


PROFILE = schema("profiles", "profile.schema.json")
BOARD = schema("hardware", "board.schema.json")


@pytest.mark.parametrize("path", data.profile_paths(), ids=lambda path: path.stem)
def test_shipped_profiles_pass_schema_and_checker(path: Path) -> None:
    PROFILE.validate(plain(places.read(path)[0]))
    PROFILE.validate(as_editors_read(path.read_text()))
    assert found(path) == []


@pytest.mark.parametrize("path", sorted(data.folder("hardware").glob("*.yaml")), ids=lambda path: path.stem)
def test_shipped_boards_pass_schema_and_checker(path: Path) -> None:
    BOARD.validate(plain(places.read(path)[0]))
    BOARD.validate(as_editors_read(path.read_text()))
    assert load_board(path)


@given(documents())
def test_made_profiles_pass_both(tmp_path_factory: pytest.TempPathFactory, document: dict[str, Any]) -> None:
    text = dump(document)
    PROFILE.validate(document)
    PROFILE.validate(as_editors_read(text))
    assert found(write(tmp_path_factory.getbasetemp(), text, "schema.yaml")) == []


@pytest.mark.parametrize(
    "text",
    [
        "profile: Restless\ndraws: [{steady: 40 mA}]\n",
        "draws: [{steady: 40 mA}]\n",
        HEAD + "  - steady: 40\n",
        HEAD + "  - steady: -40 mA\n",
        HEAD + "  - steady: 40 V\n",
        HEAD + "  - stedy: 40 mA\n",
        HEAD + "  - {steady: 40 mA, pulse: {draw: 9 mA, on: 1 s, every: 2 s}}\n",
        HEAD + "  - pulse: {draw: 9 mA, on: 1 s}\n",
        HEAD + "  - pulse: {draw: 9 mA, on: 1 s, every: 2 s, evry: 2 s}\n",
        HEAD + "  - pulse: {draw: 9 mA, on: 1 sec, every: 2 s}\n",
        HEAD + "  - random: {draw: 9 mA, on: 1 s, gap: 2 s, law: uniform}\n",
        HEAD + "  - random: {draw: 9 mA, on: 1 s, gap: 2 s .. 3 s, law: exponential}\n",
        HEAD + "  - random: {draw: 9 mA, on: 1 s, gap: 2 s, law: poisson}\n",
        HEAD + "  - replay: {levels: [[9 mA, 1 s]], file: a.csv}\n",
        HEAD + "  - replay: {levels: [[9 mA, 1 s, 2 s]]}\n",
        HEAD + "  - replay: {levels: [[9 mA, 1 s]], repeat: ever}\n",
        HEAD + "  - replay: {levels: [[9 mA, 1 s]], repeat: 0}\n",
        HEAD + "  - steady: 40 mA\n" * 9,
        HEAD + "  - steady: 40 mA\nseed: -1\n",
        HEAD + "  - steady: 40 mA\nseed: 4294967296\n",
        HEAD + "  - steady: 40 mA\nresume: maybe\n",
        HEAD + "  - steady: 40 mA\nlimits: {suply_min: 12 V}\n",
        "profile: a\nstart: {when: supply-rest}\ndraws: [{steady: 40 mA}]\n",
        "profile: a\nstart: {when: power, below: 13 V, steady: 9 s}\ndraws: [{steady: 40 mA}]\n",
        "profile: a\nstart: {when: never}\ndraws: [{steady: 40 mA}]\n",
        "[]\n",
    ],
)
def test_named_mistakes_fail_both(tmp_path: Path, text: str) -> None:
    assert found(write(tmp_path, text))
    assert not PROFILE.is_valid(as_editors_read(text))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("board: bench-12v", "board: Bench"),
        ("own: {running: 11 mA}", "own: {running: 11}"),
        ("own: {running: 11 mA}", "own: {}"),
        ("{pin: 2, ohms: 9.1 kohm", "{pin: 30, ohms: 9.1 kohm"),
        ("{pin: 2, ohms: 9.1 kohm", "{pin: 2, ohm: 9.1 kohm"),
        ("{pin: 2, ohms: 9.1 kohm", "{pin: 2, ohms: 9.1 k"),
        ("tolerance: 1 %", "tolerance: 1"),
        ("  current: monitor", "  current: yes"),
        ("  series: 100 ohm", "  series: 100"),
        ("lead: {area: 0.75 mm2", "lead: {area: 0.75 V"),
        ("fuse: {type: C", "fuse: {type: X"),
        ("gate_clamp: 12 V", "gate_clmp: 12 V"),
        ("caps: {supply_min: 9 V, ", "caps: {"),
        ("nominal: 12.6 V", "nominal: 12.6"),
    ],
)
def test_named_mistakes_of_a_board_fail_both(tmp_path: Path, old: str, new: str) -> None:
    shipped = data.board_path().read_text()
    assert old in shipped
    text = shipped.replace(old, new, 1)
    with pytest.raises(InputError):
        load_board(write(tmp_path, text))
    assert not BOARD.is_valid(as_editors_read(text))
