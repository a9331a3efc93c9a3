"""`nightdraw box journal`: where the journals of one box or of several go. Call, write, print."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from nightdraw.cli import output
from nightdraw.cli.boxes import note, open_at
from nightdraw.cli.several import Answer
from nightdraw.cli.target import target
from nightdraw.errors import Finding, InputError

if TYPE_CHECKING:
    from nightdraw.link import BoxClient
    from nightdraw.link.records import JournalAccount


def one(address: str, out: str | None, as_json: bool) -> None:
    """Read one box's journal into a file, or say its lines."""
    from nightdraw.link import records

    with open_at(address) as client, output.progress("reading the journal", 1) as shown:
        account = records.read(client, lambda done, total: shown.reach(done / max(total, 1)))
    if out is not None:
        _write(target(out), account)
    elif not as_json:
        for line in (account.head, *account.lines):
            output.say(json.dumps(line))
        note(_text(account))
        return
    output.finish(account.document(), _text(account), as_json)


class Each:
    """The work on each of several boxes: its journal goes into a file named after its serial number."""

    def __init__(self, out: str) -> None:
        self._out = target(out)
        self._taken: set[Path] = set()
        self._lock = threading.Lock()  # the boxes are read at the same time

    def __call__(self, client: BoxClient) -> Answer:
        """Read an open box."""
        from nightdraw.link import records

        path = self._path(client.idn().serial)
        account = records.read(client)
        _write(path, account)
        return Answer({"file": str(path), **account.document()}, f"{path}: {_text(account)}")

    def _path(self, serial: str) -> Path:
        path = target(self._out.with_name(f"{self._out.stem}.{_plain(serial)}{self._out.suffix}"))
        with self._lock:
            if path in self._taken:
                hint = "read it alone, into a file of another name"
                raise InputError(Finding(f"another box has the serial number {serial}, too", hint=hint))
            self._taken.add(path)
        return path


def _plain(serial: str) -> str:
    """A serial number as part of a file's name, whatever the box makes of it."""
    return "".join(c if (c.isascii() and c.isalnum()) or c in "-_" else "_" for c in serial)


def _write(path: Path, account: JournalAccount) -> None:
    from nightdraw.bench.journalfile import JournalFile

    with JournalFile(path) as file:
        file.write([account.head, *account.lines])
        file.keep()


def _text(account: JournalAccount) -> str:
    boots = f"{account.boots} power-up{'s' * (account.boots != 1)}"
    return (
        f"{len(account.lines)} records of {boots}, {account.dated} of them dated; "
        f"{account.lost} records lost, at most {account.may_be_lost} more at power losses"
    )
