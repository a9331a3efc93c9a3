"""A file's bytes: plain or gzip, in any encoding that recorders write, as pieces of whole lines in UTF-8.

Whatever isn't a plain file is refused before it is opened: a pipe can't be read twice, and may never end.
"""

from __future__ import annotations

import codecs
import gzip
import stat
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from nightdraw.errors import CannotTellError, Finding, InputError

READ_BYTES = 1 << 23  # 8 MB of text at a time keeps two parsing threads busy
MOST_LINE_BYTES = 1 << 20  # no recorder has 1 MB in a row; what is longer isn't kept in memory
TAIL_BYTES = 1 << 14  # a footer, or a line cut by a pulled plug, is shorter: the last piece has it whole
HEAD_BYTES = 1 << 16  # enough to tell the encoding
UTF_8 = "utf-8"  # what Arrow parses as it stands
GZIP = b"\x1f\x8b"
PARQUET = b"PAR1"
_MARKS = ((b"\xef\xbb\xbf", UTF_8), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))
_FOREIGN = (
    (b"PK\x03\x04", "a zip archive or a workbook", "unpack it, or save the sheet as CSV"),
    (b"\xd0\xcf\x11\xe0", "a workbook", "save the sheet as CSV"),
    (b"BZh", "compressed with bzip2", "unpack it, or use gzip"),
    (b"\xfd7zXZ", "compressed with xz", "unpack it, or use gzip"),
    (b"\x28\xb5\x2f\xfd", "compressed with zstd", "unpack it, or use gzip"),
)  # fmt: skip


@dataclass(frozen=True)
class Text:
    """A text file: its path, whether it is compressed, its encoding and the bytes of the mark before it."""

    path: Path
    packed: bool
    encoding: str
    mark: int


def head_of(path: Path) -> bytes:
    """The first bytes of a plain file; raises InputError for anything else, CannotTellError for nothing."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            kind = "a folder" if stat.S_ISDIR(status.st_mode) else "a pipe or a device, not a file"
            hint = None if stat.S_ISDIR(status.st_mode) else "save what comes out of it as a file first"
            raise InputError(Finding(f"can't be read: {kind}", file=str(path), hint=hint))
        if not status.st_size:
            raise CannotTellError(Finding("the recording is empty", file=str(path)))
        with path.open("rb") as stream:
            return stream.read(HEAD_BYTES)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(Finding(f"can't be read: {reason}", file=str(path))) from None


def text_of(path: Path, head: bytes) -> Text:
    """The file as a text, by its first bytes; raises InputError where it is none."""
    packed = head.startswith(GZIP)
    if packed:
        with _readable(path), gzip.open(path) as stream:
            head = stream.read(HEAD_BYTES)
        if not head:
            raise CannotTellError(Finding("the recording is empty", file=str(path)))
    for magic, what, hint in _FOREIGN:
        if head.startswith(magic):
            raise InputError(Finding(f"this is {what}", file=str(path), hint=hint))
    for mark, encoding in _MARKS:
        if head.startswith(mark):
            return Text(path, packed, encoding, len(mark))
    # A recorder whose plug was pulled may leave the end of a file that it had made ahead as zeros.
    if b"\0" in head.rstrip(b"\0") or not head.rstrip(b"\0") or head.startswith(GZIP):
        hint = "a recording is CSV text, plain or gzip, or Parquet"
        raise InputError(Finding("not text and not Parquet", file=str(path), line=1, hint=hint))
    return Text(path, packed, _encoding(head), 0)


def _encoding(head: bytes) -> str:
    try:
        head.decode(UTF_8)
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:  # a letter cut by the end of what was read is no other encoding
            return "latin-1"
    return UTF_8


def pieces(
    text: Text,
    skip: int = 0,
    size: int | None = None,
    on_share: Callable[[float], None] = lambda _share: None,
) -> Iterator[bytes]:
    """The text as UTF-8 from byte `skip` on, `size` bytes or so at a time, cut between lines.

    The last piece has at least TAIL_BYTES where there are so many. Raises InputError for a line of more than
    MOST_LINE_BYTES and for damaged gzip.
    """
    held = b""
    for piece in _whole_lines(text, skip, size or READ_BYTES, on_share):
        if len(piece) < TAIL_BYTES:
            held += piece
            continue
        if held:
            yield held
        held = piece
    if held:
        yield held


def _whole_lines(text: Text, skip: int, size: int, on_share: Callable[[float], None]) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder(text.encoding)(errors="replace")
    whole = max(text.path.stat().st_size, 1)
    rest, padded = b"", False
    with _readable(text.path), text.path.open("rb") as raw:
        stream: IO[bytes] = gzip.GzipFile(fileobj=raw) if text.packed else raw  # type: ignore[assignment]
        stream.seek(text.mark + (skip if text.encoding == UTF_8 else 0))
        skip = 0 if text.encoding == UTF_8 else skip
        while read := stream.read(size):
            read = read if text.encoding == UTF_8 else decoder.decode(read).encode()
            filled = read.rstrip(b"\0")
            if padded and filled:
                raise InputError(Finding("zero bytes between the rows: a part is lost", file=str(text.path)))
            padded, read = padded or len(filled) < len(read), filled
            skip, read = max(skip - len(read), 0), read[skip:]
            lines = rest + read
            cut = max(lines.rfind(b"\n"), -1 if b"\n" in lines else lines.rfind(b"\r", 0, -1)) + 1
            rest = lines[cut:]
            if len(rest) > MOST_LINE_BYTES:
                hint = "a recording has a time and a current in each line"
                raise InputError(Finding("a line of more than 1 MB", file=str(text.path), hint=hint))
            on_share(min(raw.tell() / whole, 1.0))
            if cut:
                yield lines[:cut]
    if rest.strip(b"\0\r\n\t "):
        yield rest


def words(line: bytes) -> str:
    """A line of pieces() as a text; one with a single letter in an older encoding, far down, included."""
    try:
        return line.decode(UTF_8)
    except UnicodeDecodeError:
        return line.decode("latin-1")


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    """Errors of the disk and of gzip as the family's own."""
    try:
        yield
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        hint = "it was cut or changed on its way; unpack what can be saved of it"
        raise InputError(Finding(f"damaged gzip file: {error}", file=str(path), hint=hint)) from None
    except OSError as error:
        raise InputError(Finding(f"can't be read: {error.strerror or error}", file=str(path))) from None
