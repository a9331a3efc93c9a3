"""Where a result may be written: never over a file that this call has read, nor over what is no file."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from nightdraw.errors import Finding, InputError

ANOTHER = "choose another name for --out"


def target(out: str | Path, inputs: Iterable[str | Path] = ()) -> Path:
    """`out` as a path that can be written; call it after everything was read.

    inputs: files that are read otherwise than as text (see places.read_text). Raises InputError.
    """
    from nightdraw import places

    path = Path(out)
    if not str(out):
        raise InputError("--out must have a name")
    if path.is_dir():
        raise InputError(Finding("this is a folder", str(out), hint="name a file in it"))
    if not path.parent.is_dir():
        raise InputError(Finding("its folder isn't there", str(out), hint=f"make {path.parent} first"))
    if not path.exists():
        return path
    if not path.is_file():
        hint = f"{ANOTHER}, or leave it away where the command can do without"
        raise InputError(Finding("this is a device, not a file", str(out), hint=hint))
    if any(same(path, source) for source in (*places.texts_read(), *inputs)):
        raise InputError(Finding("this is one of the inputs", str(out), hint=ANOTHER))
    return path


def same(path: Path, other: str | Path) -> bool:
    """Whether both are one file, whatever they are called."""
    return path.exists() and Path(other).exists() and path.samefile(other)
