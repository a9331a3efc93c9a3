"""Two small firmwares for a board: their main.py prints which they are, so that a mix would show."""

from __future__ import annotations

from nightdraw import data
from nightdraw.link import firmware
from nightdraw.link.firmware import BoardFile

PADDING = "# what makes it several pieces long on the line and several blocks long in the flash\n"
MAIN = """
import machine
import update
if update.finish():
    machine.reset()
import boxcore
from boxcore import checked
checked.begin(boxcore, bytearray(512))
from boxcore import a, b, c
with open("board.json") as file:
    board = file.read()
print({name!r}, a.NAME, b.NAME, c.NAME, board)
"""


def make(name: str, modules: str = "abc", same: str = "") -> list[BoardFile]:
    """A firmware of that name: modules by letter (those of `same` don't depend on the name)."""
    files = [
        BoardFile("main.py", MAIN.format(name=name).encode()),
        BoardFile("update.py", firmware.update_source().encode()),
        BoardFile("board.json", name.encode()),
        BoardFile("boxcore/__init__.py", b""),
        BoardFile("boxcore/checked.py", (data.folder("firmware") / "boxcore" / "checked.py").read_bytes()),
    ]
    for letter in modules:
        text = f"NAME = {letter if letter in same else name!r}\n"
        if letter in same:
            text = f"NAME = {letter!r}\n"
        files.append(BoardFile(f"boxcore/{letter}.py", (text + PADDING * (8 * ord(letter) % 70)).encode()))
    return firmware.with_list(files)


def says(name: str, same: str = "") -> str:
    """What its main.py prints."""
    letters = [letter if letter in same else name for letter in "abc"]
    return " ".join([name, *letters, name])


OLD = make("old", "abcx", same="b")
NEW = make("new", "abcy", same="b")
OLD_SAYS, NEW_SAYS = says("old", "b"), says("new", "b")
