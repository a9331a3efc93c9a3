"""Where a result may be written: never over what this call has read; the rest is outputs.check's."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from nightdraw import outputs
from nightdraw.errors import Finding, InputError

# Endings that promise a format which Nightdraw doesn't write, and of which a reader would say "damaged".
FOREIGN = (
    ".xlsx",
    ".xls",
    ".ods",
    ".docx",
    ".doc",
    ".odt",
    ".zip",
    ".gz",
    ".bz2",
    ".xz",
    ".7z",
    ".mat",
    ".h5",
)


def target(out: str | Path, inputs: Iterable[str | Path] = (), writes: str = "") -> Path:
    """`out` as a path that can be written; call it after everything was read.

    inputs: files that are read otherwise than as text (see places.read_text). writes: what the file will be
    (CSV), for the refusal of an ending that promises something else. Raises InputError.
    """
    from nightdraw import places

    path = Path(out)
    if not str(out):
        raise InputError("--out must have a name")
    if path.suffix.lower() in FOREIGN:
        hint = f"this writes {writes}: choose an ending of it" if writes else outputs.ANOTHER
        raise InputError(Finding(f"{path.suffix} is not what this writes", str(out), hint=hint))
    outputs.check(path)
    if any(same(path, source) for source in (*places.texts_read(), *inputs)):
        raise InputError(Finding("this is one of the inputs", str(out), hint=outputs.ANOTHER))
    return path


def same(path: Path, other: str | Path) -> bool:
    """Whether both are one file, whatever they are called."""
    return path.exists() and Path(other).exists() and path.samefile(other)
