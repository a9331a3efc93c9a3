"""Where the shipped profiles and board files are: in the installed package first, in the source tree second.

The wheel carries both folders as package data; an editable install has none of it and reads the source tree.
"""

from __future__ import annotations

from pathlib import Path

from nightdraw.errors import Finding, InputError, nearest

PROFILES = "profiles"
HARDWARE = "hardware"
DEFAULT_BOARD = "bench-12v"
_PACKAGE = Path(__file__).resolve().parent


def folder(name: str, package: Path = _PACKAGE) -> Path:
    """The shipped folder `profiles` or `hardware`; raises InputError when the installation lacks it.

    `package` is the folder of the nightdraw package: its data/NAME, else NAME at the top of the source tree.
    """
    for place in (package / "data" / name, package.parent.parent / name):
        if place.is_dir():
            return place
    raise InputError(f"this installation lacks its {name} folder: install nightdraw again")


def board_path(name: str = DEFAULT_BOARD) -> Path:
    """The path of a shipped board file by its name."""
    return folder(HARDWARE) / f"{name}.yaml"


def profile_paths() -> list[Path]:
    """The paths of all shipped profiles, sorted by name."""
    return sorted(folder(PROFILES).glob("*.yaml"))


def profile_path(name: str) -> Path:
    """The path of a shipped profile by its name."""
    return folder(PROFILES) / f"{name}.yaml"


def profile(text: str | Path) -> str | Path:
    """The profile that a call means: a path as it stands, or the name of one that ships."""
    return _meant(text, folder(PROFILES))


def board(text: str | Path) -> str | Path:
    """The board file that a call means: a path as it stands, or the name of one that ships."""
    return _meant(text, folder(HARDWARE))


def shipped(kind: str, text: str | Path) -> str | Path:
    """The file that a call means: a path as it stands, or the name of one that ships in profiles/KIND."""
    return _meant(text, folder(PROFILES) / kind)


def named_in(folder_of_file: Path, kind: str, text: str) -> Path:
    """The file that another file names: relative to that file's folder, else the name of one that ships.

    kind: PROFILES, HARDWARE, or a folder in profiles; where there is neither, the path beside the file.
    """
    beside = folder_of_file / text
    among = folder(kind) if kind in (PROFILES, HARDWARE) else folder(PROFILES) / kind
    named = among / f"{text}.yaml"
    return named if not beside.is_file() and Path(text).name == text and named.is_file() else beside


def _meant(text: str | Path, among: Path) -> str | Path:
    """A path as it stands, or what ships by this name; raises InputError for a near miss of one."""
    if Path(text).exists():
        return text
    named = among / f"{text}.yaml"
    if named.is_file():
        return named
    close = nearest(str(text).removesuffix(".yaml"), (path.stem for path in among.glob("*.yaml")))
    if close is None:
        return text  # whoever reads it says that there is no such file
    raise InputError(Finding("there is no such file, and nothing of this name ships", str(text), 1, 1, close))


def shipped_paths(kind: str) -> list[Path]:
    """The paths of all that ships in profiles/KIND (classes, instruments, ...) or in PROFILES, HARDWARE."""
    if kind in (PROFILES, HARDWARE):
        return sorted(folder(kind).glob("*.yaml"))
    return sorted((folder(PROFILES) / kind).glob("*.yaml"))
