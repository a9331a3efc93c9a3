"""Answers as handed in: CSV rows, YAML or JSON, each item a text with its place. Nothing is judged here.

What is wrong with the file (no header, a group that isn't in the plan, two answers of one group) is an error
with its place, all of them at once; what is wrong with one item is left to claims, so that nothing is lost.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightdraw import places
from nightdraw.errors import Finding, InputError, nearest, printable
from nightdraw.lesson import path as paths
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.path import Move
from nightdraw.places import Findings, Mapping, Node, Refused, Scalar
from nightdraw.units import shown

GROUP = "group"
HEADER = (GROUP, *COLUMNS)
SUFFIXES = {".csv": "csv", ".yaml": "yaml", ".yml": "yaml", ".json": "json"}
MAX_BYTES = places.MAX_BYTES
SEPARATORS = ",;\t"  # what spreadsheets of different countries write
MOVES = "moves"  # what was done on a live vehicle, and when
EXTRA = ("answers", "lesson", "saved", "readings", MOVES)  # what a page saves beside the items


@dataclass(frozen=True)
class Answer:
    """One group's answer: the texts of COLUMNS as handed in, "" where there is none, and their place; what
    was done until then, where that was on a live vehicle."""

    group: str
    texts: dict[str, str]
    file: str
    line: int | None
    moves: tuple[Move, ...] = ()


def read_answers(paths: Iterable[Path], groups: Sequence[str]) -> dict[str, Answer]:
    """The answers in some files, or in all CSV, YAML and JSON files of folders; by group.

    Raises InputError with every finding.
    """
    found: list[Answer] = []
    wrong: list[Finding] = []
    for path in _files(paths, wrong):
        try:
            found += _read(path, groups)
        except InputError as error:
            wrong += error.findings
    by_group: dict[str, Answer] = {}
    for answer in found:
        first = by_group.setdefault(answer.group, answer)
        if first is not answer and first.texts != answer.texts:
            message = f"group {answer.group} answers twice and differently, first in {_place(first)}"
            wrong.append(Finding(message, answer.file, answer.line, None, "keep the one that counts"))
    if wrong:
        raise InputError(*wrong)
    return by_group


def _place(answer: Answer) -> str:
    return answer.file + (f" line {answer.line}" if answer.line else "")


def _files(paths: Iterable[Path], wrong: list[Finding]) -> list[Path]:
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(one for one in path.iterdir() if one.suffix.lower() in SUFFIXES and one.is_file())
            if not inside:
                hint = f"answers are files ending {', '.join(SUFFIXES)}"
                wrong.append(Finding("there is no answer in this folder", str(path), hint=hint))
            found += inside
        elif not path.is_file():
            wrong.append(Finding("there is no such file", str(path)))
        elif path.suffix.lower() not in SUFFIXES:
            hint = f"answers are files ending {', '.join(SUFFIXES)}"
            wrong.append(
                Finding("what kind of file this is can't be told from its name", str(path), hint=hint)
            )
        else:
            found.append(path)
    return list(dict.fromkeys(found))


def _read(path: Path, groups: Sequence[str]) -> list[Answer]:
    findings = Findings(str(path))
    kind = SUFFIXES[path.suffix.lower()]
    if kind == "csv":
        found = _csv(path, groups, findings)
    elif kind == "yaml":
        root, findings = places.read(path)
        found = [_of_mapping(node, groups, findings) for node in _listed(root)]
    else:
        found = _json(path, groups, findings)
    findings.stop()
    return [answer for answer in found if answer is not None]


def _text(path: Path) -> str:
    """The file's text: UTF-8, or UTF-16 with its mark, as spreadsheets save it."""
    with path.open("rb") as stream:
        content = stream.read(MAX_BYTES + 1)
    if len(content) > MAX_BYTES:
        raise InputError(Finding("over 1 MB: answers have some hundred bytes", str(path)))
    try:
        if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return content.decode("utf-16")
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        hint = "save it as CSV in UTF-8"
        raise InputError(Finding("this isn't text in UTF-8", str(path), line, hint=hint)) from None


def _csv(path: Path, groups: Sequence[str], findings: Findings) -> list[Answer | None]:
    text = _text(path)
    head = text.split("\n", 1)[0]
    separator = max(SEPARATORS, key=head.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    found: list[Answer | None] = []
    columns: dict[str, int] | None = None
    try:
        for row in rows:
            at = rows.line_num - sum(cell.count("\n") for cell in row)
            if columns is None:
                columns = _header(row, findings)
                if columns is None:
                    return []
            elif any(cell.strip() for cell in row):
                found.append(_row(row, columns, (str(path), at), groups, findings))
    except csv.Error as error:
        findings.add(Node(rows.line_num or 1, 1), f"this is no CSV: {error}")
    if columns is None:
        findings.add(Node(1, 1), "the file is empty", f"its first line is {','.join(HEADER)}")
    return found


def _header(row: list[str], findings: Findings) -> dict[str, int] | None:
    names = [cell.strip().lower() for cell in row]
    before = len(findings)
    for k, name in enumerate(names):
        at = Node(1, 1 + sum(len(cell) + 1 for cell in row[:k]))
        if name and name not in HEADER:
            findings.add(
                at,
                f"unknown column {shown(name)}",
                nearest(name[:60], HEADER) or f"known: {', '.join(HEADER)}",
            )
        elif name and names.index(name) != k:
            findings.add(at, f"the column {name} stands twice")
    missing = [name for name in HEADER if name not in names]
    if missing:
        findings.add(
            Node(1, 1), f"columns are missing: {', '.join(missing)}", f"the header is {','.join(HEADER)}"
        )
    return {name: names.index(name) for name in HEADER} if len(findings) == before else None


def _row(
    row: list[str],
    columns: dict[str, int],
    where: tuple[str, int],
    groups: Sequence[str],
    findings: Findings,
) -> Answer | None:
    file, line = where
    extra = [cell for cell in row[max(columns.values()) + 1 :] if cell.strip()]
    if extra:
        message = f"more cells than columns, the first {shown(printable(extra[0]))}"
        findings.add(Node(line, 1), message, "put quotes around a text with a separator in it")
        return None
    cells = {name: row[k] if k < len(row) else "" for name, k in columns.items()}
    column = 1 + sum(len(cell) + 1 for cell in row[: columns[GROUP]])
    group = _group(cells.pop(GROUP), groups, Node(line, column), findings)
    return (
        None if group is None else Answer(group, {name: cells[name].strip() for name in COLUMNS}, file, line)
    )


def _group(text: str, groups: Sequence[str], at: Node, findings: Findings) -> str | None:
    code = text.strip().lower()
    if code in groups:
        return code
    hint = nearest(code[:60], groups) or f"known: {', '.join(groups)}"
    message = f"the plan has no group {shown(printable(code))}" if code else "the group is missing"
    findings.add(at, message, hint)
    return None


def _listed(root: Node) -> list[Node]:
    """The answers of a YAML file: one mapping, a list of them, or a list under `answers`."""
    if isinstance(root, places.Sequence):
        return root.items
    if isinstance(root, Mapping) and set(root.entries) == {"answers"}:
        inner = root.entries["answers"].value
        return inner.items if isinstance(inner, places.Sequence) else [inner]
    return [root]


def _of_mapping(node: Node, groups: Sequence[str], findings: Findings) -> Answer | None:
    if not isinstance(node, Mapping):
        if not isinstance(node, Refused):
            findings.add(node, f"an answer is a mapping with the keys {', '.join(HEADER)}")
        return None
    texts = dict.fromkeys(COLUMNS, "")
    for name, entry in node.entries.items():
        if name in COLUMNS and isinstance(entry.value, Scalar):
            texts[name] = entry.value.text.strip()
        elif name in COLUMNS and not isinstance(entry.value, Refused):
            findings.add(entry.value, f"{name} must be one text", "like 350 mA, or a range 20 s .. 3 min")
        elif name != GROUP and name not in EXTRA:
            hint = nearest(name[:60], HEADER) or f"known: {', '.join(HEADER)}"
            findings.add(entry.key, f"unknown key {shown(name)} in an answer", hint)
    group_entry = node.entries.get(GROUP)
    at = node if group_entry is None else group_entry.value
    text = at.text if group_entry is not None and isinstance(at, Scalar) else ""
    group = _group(text, groups, at, findings)
    return None if group is None else Answer(group, texts, findings.file, node.line)


def _json(path: Path, groups: Sequence[str], findings: Findings) -> list[Answer | None]:
    text = _text(path)
    try:
        root = json.loads(text, parse_float=str, parse_int=str, object_pairs_hook=_pairs)
    except json.JSONDecodeError as error:
        findings.add(Node(error.lineno, error.colno), f"this is no JSON: {error.msg}")
        return []
    except (RecursionError, ValueError) as error:
        findings.add(Node(1, 1), f"this is no JSON of an answer: {error}")
        return []
    root = root.get("answers", root) if isinstance(root, dict) and GROUP not in root else root
    return [_of_object(one, groups, findings) for one in (root if isinstance(root, list) else [root])]


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _of_object(given: Any, groups: Sequence[str], findings: Findings) -> Answer | None:
    at = Node(1, 1)
    if not isinstance(given, dict):
        findings.add(at, f"an answer is an object with the keys {', '.join(HEADER)}")
        return None
    unknown = [name for name in given if name not in HEADER and name not in EXTRA]
    if unknown:
        hint = nearest(unknown[0][:60], HEADER) or f"known: {', '.join(HEADER)}"
        findings.add(at, f"unknown key {shown(printable(unknown[0]))} in an answer", hint)
        return None
    texts = {name: given.get(name) or "" for name in COLUMNS}
    wrong = [name for name, value in texts.items() if not isinstance(value, str)]
    if wrong:
        findings.add(at, f"{wrong[0]} must be one text", 'like "350 mA", or a range "20 s .. 3 min"')
        return None
    moves = paths.read(given.get(MOVES, []))
    if moves is None:
        findings.add(
            at, f"{MOVES} is a list of what was done, each with t_s and do", "leave it as it was saved"
        )
        return None
    code = given.get(GROUP)
    group = _group(code if isinstance(code, str) else "", groups, at, findings)
    if group is None:
        return None
    return Answer(group, {k: v.strip() for k, v in texts.items()}, findings.file, None, moves)
