"""What ships, by name: `profile list`, `profile view`, `profile new` and `bench list`. Parse, call, print."""

from __future__ import annotations

from pathlib import Path

import click

from nightdraw.cli import output
from nightdraw.cli.target import target
from nightdraw.errors import Finding, InputError

KINDS = ("vehicles", "scripts", "instruments")  # the folders of profiles/ that `bench` takes names from

# What `profile new` writes: it checks without an error, and says what each line is for.
BEGINNING = """\
profile: {name}
about: >
  For you: what is wrong, and what meter, clamp and recorder will show.
complaint: >
  For the class: what the customer says.
start: {{when: supply-rest, below: 13.0 V, steady: 60 s, after: 2 min}}  # or {{when: power}}, {{when: panel}}
draws:                                               # levels add; the box's own consumption is in them
  - steady: 40 mA
  - pulse: {{draw: 350 mA, on: 700 ms, every: 75 s}}   # from start to start
# - random: {{draw: 200 mA, on: 1 s .. 3 s, gap: 20 s .. 90 s, law: uniform}}
# - replay: {{levels: [[60 mA, 10 s], [90 mA, 5 s]], repeat: forever}}
limits: {{supply_min: 11.8 V, run: 3 h, charge: 1.5 Ah}}
resume: restart                                      # after a power loss; or continue, stay-off
"""


def about(path: Path) -> str:
    """The first sentence of what a shipped file says about itself; empty where it says nothing."""
    from nightdraw import places

    root, _ = places.read(path)
    entry = root.entries.get("about") if isinstance(root, places.Mapping) else None
    text = entry.value.text if entry is not None and isinstance(entry.value, places.Scalar) else ""
    return " ".join(text.split()).partition(". ")[0].rstrip(".")


def _told(paths: list[Path]) -> list[dict[str, str]]:
    return [{"name": path.stem, "about": about(path)} for path in paths]


def _lines(rows: list[dict[str, str]]) -> list[str]:
    widest = max(len(row["name"]) for row in rows)
    return [f"{row['name']:<{widest}}  {row['about']}" for row in rows]


@click.command(name="list")
@output.json_option
def profiles(as_json: bool) -> None:
    """The profiles that ship: each goes by its name wherever a profile is asked for."""
    from nightdraw import data

    rows = _told(data.profile_paths())
    output.finish({"profiles": rows}, "\n".join(_lines(rows)), as_json)


@click.command(name="list")
@output.json_option
def worlds(as_json: bool) -> None:
    """The vehicles, scripts and instruments that ship: each goes by its name."""
    from nightdraw import data

    found = {kind: _told(data.shipped_paths(kind)) for kind in KINDS}
    blocks = [
        "\n".join([f"{kind}:", *(f"  {line}" for line in _lines(rows))]) for kind, rows in found.items()
    ]
    output.finish(found, "\n\n".join(blocks), as_json)


@click.command()
@click.argument("file", metavar="FILE")
@output.json_option
def view(file: str, as_json: bool) -> None:
    """Show a profile's text as it stands, one that ships by its name (`bench view FILE` draws it)."""
    from nightdraw import data, places

    path = data.profile(file)
    text = places.read_text(path)
    output.finish({"file": str(path), "text": text}, text.rstrip("\n"), as_json)


@click.command()
@click.argument("name", metavar="NAME")
@click.option("--out", metavar="FILE.yaml", help="Where it goes (default: NAME.yaml).")
@output.json_option
def new(name: str, out: str | None, as_json: bool) -> None:
    """Begin a profile of your own: a file that checks without an error and says what each line is for."""
    from boxcore import program

    from nightdraw import outputs, units

    if not program.name_is_valid(name):
        shape = "a small letter, then small letters, digits and '-', at most 32"
        raise InputError(f"{units.shown(name)} is no name for a profile: {shape}")
    path = target(f"{name}.yaml" if out is None else out)
    if path.exists():
        raise InputError(Finding("there is a file of this name already", str(path), hint=outputs.ANOTHER))
    outputs.write(path, BEGINNING.format(name=name).encode())
    text = f"{click.format_filename(path)}: change it, then run `nightdraw profile check`"
    output.finish({"file": str(path)}, text, as_json)
