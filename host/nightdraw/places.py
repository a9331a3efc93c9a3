"""YAML as text with places: every key and value knows its line and column, no scalar has a type yet.

Reading, the refusals that hold for every YAML file of the project, and the nodes; what the keys mean belongs
to whoever reads the nodes. Input is bounded before it is parsed, so a hostile file costs nothing.
"""

from __future__ import annotations

import contextlib
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from nightdraw.errors import Finding, InputError
from nightdraw.units import shown

MAX_BYTES = 1_000_000  # the contract's 1 MB; a profile has a few hundred bytes
MAX_DEPTH = 16  # profiles and boards nest five deep; more is an attack or a slip
MAX_FINDINGS = 200  # nobody reads more, and a megabyte of wrong keys must not take minutes

_Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
# What YAML calls unprintable, and the line breaks that editors don't count as one.
_BAD_CHARACTER = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufeff\ufffe\uffff]"
)
_read: dict[Path, None] = {}  # what read_text() has read, in order
_LINE_BREAK = re.compile("\r\n|\r|\n")


@dataclass(frozen=True)
class Node:
    """A place in a file, from 1."""

    line: int
    column: int


@dataclass(frozen=True)
class Scalar(Node):
    """A text, whatever it looks like."""

    text: str


@dataclass(frozen=True)
class Sequence(Node):
    """A list of nodes."""

    items: list[Node] = field(default_factory=list)


@dataclass(frozen=True)
class MappingEntry:
    """One key of a mapping with its value."""

    key: Scalar
    value: Node


@dataclass(frozen=True)
class Mapping(Node):
    """Keys in the order of the file; a key that stands twice keeps its first value."""

    entries: dict[str, MappingEntry] = field(default_factory=dict)


@dataclass(frozen=True)
class Refused(Node):
    """Something already reported (an alias, say): readers pass over it in silence."""


KINDS = {Scalar: "a text", Sequence: "a list", Mapping: "a mapping", Refused: "nothing"}


def kind(node: Node) -> str:
    """What the node is, for messages."""
    if isinstance(node, Scalar) and not node.text:
        return "nothing"
    return KINDS[type(node)]


class Findings:
    """Collects what is wrong in one file; `add` takes a place, `stop` raises InputError with all of them."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._list: list[Finding] = []

    def __len__(self) -> int:
        return len(self._list)

    def full(self) -> bool:
        """True once further findings are only counted, not kept: readers may give up."""
        return len(self._list) >= MAX_FINDINGS

    def add(self, node: Node, message: str, hint: str | None = None) -> None:
        """Note a finding at the node's place."""
        if not self.full():
            self._list.append(Finding(message, self.file, node.line, node.column, hint))

    def extend(self, findings: list[Finding]) -> None:
        """Take findings of another file (a replay's levels) as they are."""
        self._list.extend(findings[: MAX_FINDINGS - len(self._list)])

    def sorted(self) -> list[Finding]:
        """All of them by place, other files' after this one's, with a last line when some were cut."""
        found = sorted(
            self._list, key=lambda f: (f.file != self.file, f.file or "", f.line or 0, f.column or 0)
        )
        if self.full():
            found.append(Finding(f"only the first {MAX_FINDINGS} errors are shown", self.file, 1, 1))
        return found

    def stop(self) -> None:
        """Raise InputError if anything was found."""
        if self._list:
            raise InputError(*self.sorted())


def texts_read() -> tuple[Path, ...]:
    """Every file whose text was read so far in this process: what no result may be written over."""
    return tuple(_read)


def read_text(path: str | Path, file: str | None = None, limit: int = MAX_BYTES) -> str:
    """The text of a file of at most `limit` bytes of UTF-8, a byte order mark taken off.

    `file` is the name that errors show (the path as given). Raises InputError: missing, a folder, unreadable,
    too large (no more than the limit is ever read), not UTF-8, or with control characters, with the place.
    """
    name = str(path) if file is None else file
    with contextlib.suppress(OSError, ValueError):
        if stat.S_ISFIFO(Path(path).stat().st_mode):  # opening one waits for whoever writes, maybe for ever
            hint = "save what comes out of it as a file first"
            raise InputError(Finding("a pipe, not a file", name, 1, 1, hint))
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(limit + 1)
    except (OSError, ValueError) as error:
        raise InputError(Finding(_unreadable(error, Path(path)), name, 1, 1)) from None
    _read[Path(path).absolute()] = None
    if len(data) > limit:
        message = f"the file is larger than {limit // 1_000_000} MB, nothing was read"
        raise InputError(Finding(message, name, 1, 1))
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line, column = _position(data[: error.start].decode("utf-8"))
        message = f"byte 0x{data[error.start]:02x} is not UTF-8 text"
        raise InputError(Finding(message, name, line, column, "is it a text file?")) from None
    text = text.removeprefix("\ufeff")
    bad = _BAD_CHARACTER.search(text)
    if bad:
        line, column = _position(text[: bad.start()])
        message = f"the character U+{ord(bad.group()):04X} is not allowed in text"
        raise InputError(Finding(message, name, line, column, "is it a text file?"))
    return text


def _unreadable(error: Exception, path: Path) -> str:
    if isinstance(error, FileNotFoundError):
        return "there is no such file"
    if isinstance(error, IsADirectoryError) or (isinstance(error, PermissionError) and path.is_dir()):
        return "this is a folder, not a file"
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return f"the file can't be read: {reason}"


def _position(before: str) -> tuple[int, int]:
    """Line and column, from 1, of the character that follows `before`."""
    breaks = list(_LINE_BREAK.finditer(before))
    return len(breaks) + 1, len(before) - (breaks[-1].end() if breaks else 0) + 1


def read(path: str | Path, file: str | None = None) -> tuple[Node, Findings]:
    """The root node of a YAML file and the findings so far (anchors, aliases, tags, duplicate keys, ...).

    Raises InputError at once for a file that can't be read (see read_text), a syntax error, an empty file and
    nesting deeper than MAX_DEPTH. Positions come from the parser, counted in characters from 1.
    """
    name = str(path) if file is None else file
    text = read_text(path, name)
    findings = Findings(name)
    try:
        root = _Builder(findings).build(yaml.parse(text, Loader=_Loader))
    except yaml.MarkedYAMLError as error:
        raise InputError(_syntax(error, text, name)) from None
    except (yaml.YAMLError, ValueError) as error:
        # The parsers' own bounds, a huge %YAML version number among them.
        raise InputError(Finding(f"this is not YAML: {error}".splitlines()[0], name, 1, 1)) from None
    if root is None:
        raise InputError(Finding("the file is empty", name, 1, 1))
    return root, findings


def _syntax(error: yaml.MarkedYAMLError, text: str, name: str) -> Finding:
    mark = error.problem_mark or error.context_mark
    if mark is None:
        return Finding(f"this is not YAML: {error.problem}", name, 1, 1)
    lines = _LINE_BREAK.split(text)
    line_text = lines[mark.line] if mark.line < len(lines) else ""
    indent = line_text[: len(line_text) - len(line_text.lstrip())]
    if "\t" in indent:
        return Finding("a tab can't indent YAML", name, mark.line + 1, indent.index("\t") + 1, "use spaces")
    message = "this is not YAML: " + (error.problem or error.context or "syntax error")
    hint = "use spaces, not tabs" if "\t" in line_text[: mark.column + 1] else None
    return Finding(message, name, mark.line + 1, mark.column + 1, hint)


@dataclass
class _Open:
    """A collection whose end has not come yet; `key` is the mapping's key that waits for its value."""

    node: Node
    key: Scalar | Refused | None = None


class _Builder:
    """Turns parser events into nodes with a stack of its own, so that depth is bounded by us."""

    def __init__(self, findings: Findings) -> None:
        self._findings = findings
        self._stack: list[_Open] = []
        self._root: Node | None = None

    def build(self, events: Iterator[yaml.Event]) -> Node | None:
        documents = 0
        for event in events:
            assert event.start_mark is not None  # every event of a parser has its place
            at = Node(event.start_mark.line + 1, event.start_mark.column + 1)
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if event.tags:
                    self._findings.add(at, "YAML tags are not used here", "leave the %TAG line out")
                if documents > 1:
                    self._findings.add(at, "a file holds one document", "put the second into its own file")
                    break
            elif isinstance(event, yaml.NodeEvent):
                self._node(event, at)
            elif isinstance(event, yaml.CollectionEndEvent):
                self._stack.pop()
        return self._root

    def _node(self, event: yaml.NodeEvent, at: Node) -> None:
        if isinstance(event, yaml.AliasEvent):
            self._findings.add(at, "YAML aliases are not used here", "write the value out")
            self._place(Refused(at.line, at.column))
            return
        if event.anchor:
            self._findings.add(at, "YAML anchors are not used here", "leave it out")
        if getattr(event, "tag", None):
            self._findings.add(at, "YAML tags are not used here", "leave it out")
        if isinstance(event, yaml.ScalarEvent):
            self._scalar(event.value, at)
            return
        sequence = isinstance(event, yaml.SequenceStartEvent)
        node = Sequence(at.line, at.column) if sequence else Mapping(at.line, at.column)
        self._place(node)
        if len(self._stack) >= MAX_DEPTH:
            message = f"nested deeper than {MAX_DEPTH} levels"
            raise InputError(Finding(message, self._findings.file, at.line, at.column))
        self._stack.append(_Open(node))

    def _scalar(self, text: str, at: Node) -> None:
        bad = _BAD_CHARACTER.search(text)
        if bad:  # only an escape in double quotes gets here
            self._findings.add(at, f"the character U+{ord(bad.group()):04X} is not allowed in text")
        self._place(Refused(at.line, at.column) if bad else Scalar(at.line, at.column, text))

    def _place(self, node: Node) -> None:
        """Put a node where it belongs: the root, a list's next item, a mapping's next key or value."""
        if not self._stack:
            self._root = node
            return
        top = self._stack[-1]
        if isinstance(top.node, Sequence):
            top.node.items.append(node)
        elif top.key is None:
            top.key = self._as_key(node)
        else:
            if isinstance(top.node, Mapping) and isinstance(top.key, Scalar):
                self._entry(top.node, MappingEntry(top.key, node))
            top.key = None

    def _as_key(self, node: Node) -> Scalar | Refused:
        if isinstance(node, Scalar | Refused):
            return node
        self._findings.add(node, "a key must be a plain text, not " + kind(node))
        return Refused(node.line, node.column)

    def _entry(self, mapping: Mapping, entry: MappingEntry) -> None:
        first = mapping.entries.get(entry.key.text)
        if first is None:
            mapping.entries[entry.key.text] = entry
        else:
            message = f"the key {shown(entry.key.text)} stands twice, first on line {first.key.line}"
            self._findings.add(entry.key, message, "keep one")
