"""Answers from CSV, YAML and JSON: the same texts from each, every error with its place, nothing lost."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.errors import InputError
from nightdraw.lesson.answers import HEADER, read_answers
from nightdraw.lesson.entries import COLUMNS

from tests.lesson.made_lesson import ASKED, texts

GROUPS = ("g1", "g2", "g3")
ROW = texts("F7", "pulse", "350 mA", "0,7 s", "75 s", "a.csv")
HEAD = ",".join(HEADER)
EMPTY = "," * (len(COLUMNS) - 1)  # of the cells behind the circuit's


def read(tmp_path, name: str, content: str | bytes):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_answers([path], GROUPS)


def as_csv(rows, separator=",") -> str:
    stream = io.StringIO()
    writer = csv.DictWriter(stream, HEADER, delimiter=separator)
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def test_all_three_forms_say_the_same(tmp_path):
    row = {"group": "g2", **ROW}
    said = [
        read(tmp_path, "a.csv", as_csv([row])),
        read(tmp_path, "b.csv", as_csv([row], ";").encode("utf-16")),
        read(tmp_path, "c.csv", "\ufeff" + as_csv([row], "\t").replace("\r\n", "\n")),
        read(tmp_path, "d.json", json.dumps({**row, "lesson": "x", "saved": "2027-03-04T10:00"})),
        read(tmp_path, "e.json", json.dumps([row])),
        read(tmp_path, "f.yaml", "\n".join(f"{k}: '{v}'" for k, v in row.items())),
        read(tmp_path, "g.yml", "answers:\n  - {" + ", ".join(f"{k}: '{v}'" for k, v in row.items()) + "}"),
    ]
    assert all(list(one) == ["g2"] and one["g2"].texts == ROW for one in said)


def test_the_header_begins_with_the_columns_that_sheets_in_use_have():
    """Answers are kept for years: a column is never renamed, a new one stands last."""
    assert HEADER[:7] == ("group", *ASKED)


def test_columns_may_stand_in_any_order(tmp_path, seed):
    names = list(HEADER)
    random.Random(seed).shuffle(names)
    line = ",".join(f'"{ {"group": "G1 ", **ROW}[name] }"' for name in names)
    assert read(tmp_path, "a.csv", f"{','.join(names)}\n\n{line}\n,,,\n")["g1"].texts == ROW


@pytest.mark.parametrize(
    ("content", "line", "column", "message"),
    [
        ("", 1, 1, "empty"),
        ("group,circuit\ng1,F1\n", 1, 1, f"columns are missing: {', '.join(HEADER[2:])}"),
        (f"{HEAD},colour\n", 1, len(HEAD) + 2, "unknown column 'colour'"),
        (f"{HEAD},group\n", 1, len(HEAD) + 2, "stands twice"),
        (f"{HEAD}\ng9,{EMPTY}\n", 2, 1, "no group 'g9'"),
        (f"{HEAD}\n,F1{EMPTY}\n", 2, 1, "the group is missing"),
        (f"{HEAD}\ng1,F1{EMPTY},,too,many\n", 2, 1, "more cells than columns"),
        (f'{HEAD}\ng1,"F1{EMPTY}\n', 2, 1, "no CSV"),
        (f"{HEAD}\ng1,F1{EMPTY}\n\ng1,F2{EMPTY}\n", 4, None, "answers twice"),
        (f"{HEAD}\n=cmd|' /C calc'!A0,F1{EMPTY}\n", 2, 1, "no group"),
        (f"{HEAD}\n\x1b[2Jg1,F1{EMPTY}\n", 2, 1, "no group"),
    ],
)
def test_what_is_wrong_with_a_table_has_its_place(tmp_path, content, line, column, message):
    with pytest.raises(InputError) as caught:
        read(tmp_path, "a.csv", content)
    found = next(f for f in caught.value.findings if message in f.message)
    assert (found.line, found.column) == (line, column)
    assert str(caught.value).replace("\n", "").isprintable()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.json", "{", "no JSON"),
        ("a.json", "[" * 100_000, "no JSON"),
        ("a.json", '{"group": "g1", "group": "g2"}', "twice"),
        ("a.json", '{"group": "g1", "current": 350}', None),
        ("a.json", '{"group": "g1", "current": ["1 A"]}', "must be one text"),
        ("a.json", '{"group": "g1", "colour": "red"}', "unknown key 'colour'"),
        ("a.json", '{"circuit": "F1"}', "group is missing"),
        ("a.json", "3", "an object"),
        ("a.yaml", "group: g1\ncolour: red", "unknown key"),
        ("a.yaml", "group: g1\ncurrent: [1 A]", "must be one text"),
        ("a.yaml", "- 3", "a mapping"),
        ("a.csv", b"\xff\x00\x80", "UTF-8"),
        ("a.csv", b"x" * 1_000_001, "over 1 MB"),
        ("a.txt", "", "can't be told"),
    ],
)
def test_what_is_wrong_with_a_file_is_told(tmp_path, name, content, message):
    if message is None:  # a bare number is kept as the text that it is: it has no unit
        assert read(tmp_path, name, content)["g1"].texts["current"] == "350"
        return
    with pytest.raises(InputError, match=message):
        read(tmp_path, name, content)


def test_all_files_of_a_folder_count_and_all_errors_come_at_once(tmp_path):
    (tmp_path / "a.csv").write_text(as_csv([{"group": "g1", **ROW}]))
    (tmp_path / "b.json").write_text(json.dumps({"group": "g2", **ROW}))
    (tmp_path / "notes.txt").write_text("nothing")
    assert sorted(read_answers([tmp_path], GROUPS)) == ["g1", "g2"]
    (tmp_path / "c.json").write_text(json.dumps({"group": "g1", **ROW, "kind": "steady"}))
    (tmp_path / "d.json").write_text("{")
    with pytest.raises(InputError) as caught:
        read_answers([tmp_path, tmp_path / "none"], GROUPS)
    assert {finding.message.split(":")[0][:20] for finding in caught.value.findings} == {
        "group g1 answers twi",
        "this is no JSON",
        "there is no such fil",
    }


@settings(max_examples=60)
@given(
    st.lists(
        st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=30),
        min_size=len(COLUMNS),
        max_size=len(COLUMNS),
    )
)
def test_whatever_stands_in_a_quoted_cell_comes_back(tmp_path_factory, cells):
    path = tmp_path_factory.mktemp("cells") / "a.csv"
    row = dict(zip(COLUMNS, cells, strict=True))
    path.write_bytes(as_csv([{"group": "g1", **row}]).encode())
    if any("\0" in cell for cell in cells):
        return
    found = read_answers([path], GROUPS)["g1"].texts
    assert found == {name: text.strip() for name, text in row.items()}


@settings(max_examples=100)
@given(st.binary(max_size=300), st.sampled_from([".csv", ".json", ".yaml"]))
def test_no_bytes_bring_the_reader_down(tmp_path_factory, content, suffix):
    path = tmp_path_factory.mktemp("bytes") / f"a{suffix}"
    path.write_bytes(content)
    with contextlib.suppress(InputError):
        read_answers([path], GROUPS)
