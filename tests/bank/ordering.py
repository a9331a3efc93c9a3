"""What a maker of boards gets, made from a committed project by KiCad: `python -m tests.bank.ordering`
renews it.

Gerbers and drill files in one archive, the bare board as a solid (STEP), renders of both sides. Dates and
KiCad's own version are taken out, so that the same board gives the same bytes.
"""

from __future__ import annotations

import io
import re
import sys
import tempfile
import zipfile
from pathlib import Path

from nightdraw import data
from nightdraw.bank.drawings.files import PROJECT

from tests.bank import kicad_cli

ORDER = "order"
LAYERS = "F.Cu,B.Cu,F.Mask,B.Mask,F.SilkS,B.SilkS,Edge.Cuts"
STAMP = (1980, 1, 1, 0, 0, 0)  # the archive format's first date
DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d([+-]\d\d:?\d\d)?")
NO_DATE = "2000-01-01T00:00:00+00:00"
VERSION = re.compile(r"9\.\d+\.\d+([+~][\w.+~-]*)?")
WIDE_PX = 1100


def gerbers(project: Path, name: str, home: Path) -> dict[str, bytes]:
    """Every file of the set by name, without what changes from run to run."""
    out = home / "set"
    out.mkdir()
    board = project / f"{name}.kicad_pcb"
    kicad_cli.run("pcb", "export", "gerbers", "--layers", LAYERS, "-o", f"{out}/", board, home=home)
    kicad_cli.run("pcb", "export", "drill", "--excellon-separate-th", "-o", f"{out}/", board, home=home)
    made = {}
    for path in sorted(out.iterdir()):
        made[path.name] = VERSION.sub("9", DATE.sub(NO_DATE, path.read_text())).encode()
    return made


def solid(project: Path, name: str, home: Path) -> bytes:
    """The bare board with its holes as STEP, without its date; parts' models are no part of the project."""
    path = home / f"{name}.step"  # the file's name stands in it
    board = project / f"{name}.kicad_pcb"
    kicad_cli.run("pcb", "export", "step", "--cut-vias-in-body", "-o", path, board, home=home)
    return DATE.sub(NO_DATE, path.read_text(), count=1).encode()


def packed(files: dict[str, bytes]) -> bytes:
    """The archive, the same bytes for the same files."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, each in sorted(files.items()):
            archive.writestr(zipfile.ZipInfo(name, STAMP), each, zipfile.ZIP_DEFLATED, 9)
    return content.getvalue()


def unpacked(content: bytes) -> dict[str, bytes]:
    """The files of an archive."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def renew(name: str) -> None:
    """Write archive, solid and renders of a board that ships."""
    from PIL import Image

    top = data.folder("hardware") / name
    order = top / ORDER
    order.mkdir(exist_ok=True)
    board = top / PROJECT / f"{name}.kicad_pcb"
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        (order / f"{name}-gerbers.zip").write_bytes(packed(gerbers(top / PROJECT, name, home)))
        (order / f"{name}.step").write_bytes(solid(top / PROJECT, name, home))
        for side in ("top", "bottom"):
            picture = home / f"{side}.png"
            look = ("--quality", "basic", "--background", "transparent", "-w", "1600", "--height", "1100")
            kicad_cli.run("pcb", "render", "--side", side, *look, "-o", picture, board, home=home)
            with Image.open(picture) as image:
                board_only = image.convert("RGBA").crop(image.getchannel("A").getbbox())
                image = Image.new("RGB", board_only.size, "white")
                image.paste(board_only, mask=board_only.getchannel("A"))
                image.thumbnail((WIDE_PX, WIDE_PX))
                image.quantize(64).save(order / f"{side}.png", optimize=True)


if __name__ == "__main__":
    for each in sys.argv[1:] or sorted(
        path.parent.name for path in data.folder("hardware").glob(f"*/{PROJECT}")
    ):
        renew(each)
