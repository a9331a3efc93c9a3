"""Putting the firmware's files on a board over its raw prompt; a cable pulled at any byte does no harm.

Theory of operation. A write-ahead update, with the list of files (SHA256SUMS) as the commit record:

1. each file that differs by SHA-256 is written as NAME.new and its hash read back from the board;
2. the list is written as SHA256SUMS.part, verified, then renamed to SHA256SUMS.new: the commit. littlefs
   renames atomically, so a power cut leaves either no commit (the old firmware runs on) or a complete one;
3. the board's own update.py moves the new files into place, removes what the list doesn't name and renames
   the list; it is idempotent, and runs here or at the next power-up that finds a commit.

Cost: the bytes that differ, once over the line. Nothing outside the firmware's own names is touched:
programs, journal and settings stay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from nightdraw.errors import Finding, InputError, printable
from nightdraw.link.firmware import LIST, BoardFile, update_source
from nightdraw.link.prompt import Prompt, PromptError

NEW = ".new"
PART = ".part"
OLDEST = (1, 28)  # of MicroPython: what the firmware was tested under
BYTECODE = 6  # .mpy format of the compiled modules
BLOCK_BYTES = 4096
LEAST_BYTES = 1 << 20  # journal 512 KB, ten programs of 20 KB, the firmware twice while it is replaced
SPARE_BYTES = 16 * BLOCK_BYTES  # for the file system's own bookkeeping
FINISH_S = 120.0  # forty moves and removals, each up to two flash blocks of 0.4 s at worst, and hashing
PLATFORM = "rp2"  # the same for its successor, whose pins and PIO differ
PROCESSOR = "RP2040"
MEND = "run `nightdraw box install` again"

FACTS = """
import os, sys
_how = sys.implementation
_stat = os.statvfs(os.getcwd())
_facts = {'python': _how.name, 'version': tuple(_how.version)[:3], 'bytecode': getattr(_how, '_mpy', 0) & 255,
    'platform': sys.platform, 'machine': getattr(_how, '_machine', ''), 'bytes': _stat[1] * _stat[2],
    'free': _stat[1] * _stat[3]}
"""
KINDS_OF_FACTS = {
    **dict.fromkeys(("python", "platform", "machine"), str),
    **dict.fromkeys(("bytecode", "bytes", "free"), int),
    "version": tuple,
}
# Folders in the package would win over modules of their name; update.py removes files only.
SWEEP = """
def _sweep(path, inside):
    for name in os.listdir(path):
        name = path + '/' + name
        if os.stat(name)[0] & 0x4000:
            _sweep(name, True)
            os.rmdir(name)
        elif inside:
            os.remove(name)
if PACKAGE not in os.listdir():
    os.mkdir(PACKAGE)
_sweep(PACKAGE, False)
"""
COMPARE = """
def _compare(name):
    return digest(name), digest(name + NEW)
"""
FORGET = """
def _forget(name):
    try:
        os.remove(name)
    except OSError as error:
        if error.args[0] != 2:
            raise
"""


@dataclass(frozen=True)
class Done:
    """What an installation changed: the names of the files that were written and of those removed."""

    written: tuple[str, ...]
    removed: tuple[str, ...]


def install(
    prompt: Prompt, files: list[BoardFile], progress: Callable[[int], None] = lambda done: None
) -> Done:
    """Make the board carry exactly these files, the list of them being the last; returns what that took.

    progress: takes the number of bytes that are in place so far, of all files' together. Raises LinkError or
    InputError; the board then runs what it ran before, or the new firmware, never a mix.
    """
    check_board(facts(prompt))
    prompt.run(update_source())
    prompt.run(COMPARE + FORGET)
    _finish_earlier(prompt)
    prompt.run(SWEEP)
    *parts, last = files
    found = {file.name: _compare(prompt, file.name) for file in files}
    removed = _strangers(prompt, parts)
    waiting = [file for file in parts if found[file.name][0] != file.sha256]
    if not waiting and not removed and found[LIST][0] == last.sha256:
        return Done((), ())
    _check_room(facts(prompt), waiting)
    _send(prompt, parts, found, progress)
    _put(prompt, last, LIST + PART)
    prompt.run(f"os.rename({LIST + PART!r}, {LIST + NEW!r})")  # from here on the new firmware boots
    prompt.run("finish()", FINISH_S)
    _verify(prompt, files)
    return Done(tuple(file.name for file in waiting), tuple(removed))


def facts(prompt: Prompt) -> dict[str, Any]:
    """What the board says of itself: python, version, bytecode, platform, machine, bytes, free."""
    prompt.run(FACTS)
    found = prompt.value("_facts")
    if not (
        isinstance(found, dict)
        and all(type(found.get(name)) is kind for name, kind in KINDS_OF_FACTS.items())
        and len(found["version"]) == 3
        and all(type(part) is int for part in found["version"])
    ):
        raise PromptError(Finding(f"{prompt.name}: the board doesn't say what it is", hint=MEND))
    return {name: printable(fact) if isinstance(fact, str) else fact for name, fact in found.items()}


def check_board(found: dict[str, Any]) -> None:
    """Raise InputError with every reason why the firmware can't run there."""
    findings = []
    version = ".".join(str(part) for part in found["version"])
    oldest = ".".join(str(part) for part in OLDEST)
    if found["python"] != "micropython" or found["version"][:2] < OLDEST or found["bytecode"] != BYTECODE:
        message = (
            f"the board runs {found['python']} {version}, the firmware needs MicroPython {oldest} or later"
        )
        hint = "put a newer MicroPython for this board on it, then run `nightdraw box install`"
        findings.append(Finding(message, hint=hint))
    if found["platform"] == PLATFORM and PROCESSOR not in found["machine"]:
        message = f"the firmware is for the {PROCESSOR}, this board says {found['machine']!r}"
        findings.append(Finding(message))
    # a stand-in for a board keeps no journal
    if found["platform"] == PLATFORM and found["bytes"] < LEAST_BYTES:
        message = (
            f"the board's file system has {found['bytes'] // 1024} KB, a box needs {LEAST_BYTES // 1024} KB"
        )
        hint = "journal and programs need a board with 2 MB of flash and MicroPython's usual share of it"
        findings.append(Finding(message, hint=hint))
    if findings:
        raise InputError(*findings)


def _check_room(found: dict[str, Any], files: list[BoardFile]) -> None:
    needed = sum(_on_flash(file) for file in files) + SPARE_BYTES
    if found["free"] < needed:
        message = f"the board has {found['free'] // 1024} KB free, the update needs {needed // 1024} KB"
        raise InputError(Finding(message, hint="remove files of your own from it; nothing was changed"))


def _on_flash(file: BoardFile) -> int:
    return -(-len(file.data) // BLOCK_BYTES) * BLOCK_BYTES


def _finish_earlier(prompt: Prompt) -> None:
    """Finish an earlier update that a pulled cable left complete but not in place."""
    try:
        prompt.run("finish()", FINISH_S)
    except PromptError as error:
        if not error.printed:
            raise
        prompt.run(f"_forget({LIST + NEW!r})")  # it can't be finished; all of it is replaced now


def _compare(prompt: Prompt, name: str) -> tuple[str | None, str | None]:
    """The hashes of a file and of the new one beside it, None where there is none."""
    found = prompt.value(f"_compare({name!r})")
    if not (isinstance(found, tuple) and len(found) == 2 and all(isinstance(x, str | None) for x in found)):
        raise PromptError(Finding(f"{prompt.name}: the board doesn't say what {name} is", hint=MEND))
    return found


def _strangers(prompt: Prompt, files: list[BoardFile]) -> list[str]:
    """The package's files that these don't replace."""
    found = prompt.value("strangers(())")
    if not (isinstance(found, list) and all(isinstance(path, str) for path in found)):
        raise PromptError(Finding(f"{prompt.name}: the board doesn't say which files it has", hint=MEND))
    known = {file.name for file in files}
    return sorted(path for path in found if path not in known and path.removesuffix(NEW) not in known)


def _send(
    prompt: Prompt,
    files: list[BoardFile],
    found: dict[str, tuple[str | None, str | None]],
    progress: Callable[[int], None],
) -> None:
    """Have every file beside the one that it replaces, and nothing beside those that stay."""
    done = 0
    for file in files:
        here, beside = found[file.name]
        if here == file.sha256:
            if beside is not None:
                prompt.run(f"os.remove({file.name + NEW!r})")
        elif beside != file.sha256:
            _put(prompt, file, file.name + NEW, partial(_more, progress, done))
        done += len(file.data)
        progress(done)


def _more(progress: Callable[[int], None], done: int, more: int) -> None:
    progress(done + more)


def _put(
    prompt: Prompt, file: BoardFile, name: str, progress: Callable[[int], None] = lambda done: None
) -> None:
    prompt.put(name, file.data, progress)
    found = prompt.value(f"digest({name!r})")
    if found != file.sha256:
        raise PromptError(Finding(f"{prompt.name}: {name} came out wrong on the board", hint=MEND))


def _verify(prompt: Prompt, files: list[BoardFile]) -> None:
    """Look at every file once more, in its place."""
    wrong = [file.name for file in files if prompt.value(f"digest({file.name!r})") != file.sha256]
    wrong += _strangers(prompt, files)
    if wrong:
        raise PromptError(
            Finding(f"{prompt.name}: {printable(wrong[0])} is not what it should be", hint=MEND)
        )
