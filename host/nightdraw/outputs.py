"""Where results are written: the one way in which a file comes about, whole or not at all.

Never through a link, over a folder or into a device, and under a name of its own until it is whole. What goes
in is the writer's affair.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from itertools import count
from pathlib import Path

from nightdraw.errors import Finding, InputError

ANOTHER = "choose another name for --out"


def check(path: Path) -> None:
    """Raise InputError where `path` can't be written: its folder isn't there, or it is no file."""
    if "\0" in str(path):
        raise InputError(Finding("no file can have this name", str(path), hint=ANOTHER))
    if path.is_symlink():
        message = "this is a link to another place, nothing is written through it"
        raise InputError(Finding(message, str(path), hint="name the file itself, or another one"))
    if path.is_dir():
        raise InputError(Finding("this is a folder", str(path), hint="name a file in it"))
    if not path.parent.is_dir():
        raise InputError(Finding("its folder isn't there", str(path), hint=f"make {path.parent} first"))
    if path.exists() and not path.is_file():
        hint = f"{ANOTHER}, or leave it away where the command can do without"
        raise InputError(Finding("this is a device, not a file", str(path), hint=hint))


def make_folder(path: Path) -> Path:
    """Make a folder, and those above it, where there is none; raises InputError."""
    if "\0" in str(path):
        raise InputError(Finding("no folder can have this name", str(path), hint=ANOTHER))
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        message = f"the folder can't be made: {error.strerror or error}"
        raise InputError(Finding(message, str(path), hint=ANOTHER)) from None
    return path


def partial(path: Path) -> Path:
    """Make an empty file beside `path` that nobody has, to take its place later; raises OSError as open()
    does, and InputError as check()."""
    check(path)
    for number in count():
        made = path.with_name(f"{path.name}.{number}.part")
        try:
            made.open("xb").close()
        except FileExistsError:
            continue
        return made
    raise AssertionError


@contextlib.contextmanager
def named(path: Path) -> Iterator[None]:
    """Whatever ends the block says which file it was: a full disk as InputError, Ctrl-C with a note."""
    try:
        yield
    except OSError as error:
        hint = "nothing of it was kept; make room, or " + ANOTHER
        raise InputError(
            Finding(f"can't be written: {error.strerror or error}", str(path), hint=hint)
        ) from None
    except KeyboardInterrupt as error:
        error.add_note(f"{path} was not written")
        raise


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A file to write to, which takes the place of `path` when the block ends well and is gone when it
    doesn't; raises InputError."""
    with named(path):
        made = partial(path)
        try:
            yield made
            made.replace(path)
        finally:
            made.unlink(missing_ok=True)


def write(path: Path, content: bytes) -> None:
    """Write a whole file; raises InputError."""
    with replacing(path) as made:
        made.write_bytes(content)
