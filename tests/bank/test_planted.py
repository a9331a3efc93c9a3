"""`bank check` against boards with one fault each and against sound ones, with the rates of both."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bank.rules.check import RULES, check
from nightdraw.board import load_board
from nightdraw.errors import InputError

from tests.bank.planted import FAULTS, SOUND, Edits, Fault, edited, leaves, load, write

BOARDS = {path.stem: path for path in sorted(data.folder("hardware").glob("*.yaml"))}
FEW = 6  # faults and sound boards of the short version, beside the NAMED ones
NAMED = (  # one of each kind that ratings alone can't find
    "output 12 V", "output 3.3 V", "divider clips at 9.9 V", "enable 100k", "pull-down 330",
    "series of 1M", "gate clamp 3 V", "thermistor 1M up", "bank_temp 250 C", "supply_min 3 V", "shunt 1 mohm",
    "no shunt", "HC", "P switch", "N reverse", "unidirectional",
)  # fmt: skip
# keys whose text or number no rule can hold against anything, with the reason
FREE = {
    "board": "a name",
    "about": "a text",
    "own_states.idle": "told, not judged",
    "own_states.writing": "told, not judged",
    "own_states.usb": "told, not judged",
    "own_states.basis": "a text",
    "caps.run": "how long a run may be is the user's",
    "caps.charge": "how much charge a run may take is the user's",
    "channels.9.mounting": "in air by default, which heat weighs",
    "controller.clock": "bounded where it is read",
}
RULED = {fault.rules[0] for fault in FAULTS}  # each of them is asked for one fault at least
FACTORS = (1e-3, 1e-2, 1e2, 1e3)


def errors(path: Path) -> set[tuple[str, str]] | None:
    """(part, rule) of every error; None where the file is refused as it is read."""
    try:
        board = load_board(path, check_pins=False)
    except InputError:
        return None
    found = check(board).remarks
    assert {remark.rule for remark in found} <= set(RULES)
    return {(remark.part, remark.rule) for remark in found if remark.severity == "error"}


def missed(fault: Fault, name: str, folder: Path) -> str | None:
    """What is wrong with the refusal of a planted fault; None where it is refused by rule and part."""
    found = errors(write(edited(load(BOARDS[name]), fault.edits), folder / "planted.yaml"))
    if found is None:
        return f"{name}, {fault.name}: refused as it was read, by no rule"
    right = [part for part, rule in found if rule in fault.rules and part.startswith(fault.parts)]
    return None if right else f"{name}, {fault.name}: {sorted(found) or 'ok'}"


def alarmed(edits: Edits, name: str, folder: Path) -> str | None:
    """The errors of a sound board; None where there is none."""
    found = errors(write(edited(load(BOARDS[name]), edits), folder / "sound.yaml"))
    return None if found == set() else f"{name}, {edits}: {found}"


def boards_of(fault: Fault) -> list[str]:
    """The shipped boards on which the change is a fault."""
    return [name for name in BOARDS if not fault.boards or name in fault.boards]


def sound_on(name: str) -> list[str]:
    """The sound changes of a board: a 24 V one can't stand a 12 V guard's limit."""
    return [key for key in SOUND if not (name == "workshop-24v" and key == "a supply guard of 10.5 V")]


def test_a_few_planted_faults_are_refused_by_rule_and_part(tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed)
    named = [fault for fault in FAULTS if fault.name in NAMED]
    assert len(named) == len(NAMED)
    rules = {rule for fault in named for rule in fault.rules}
    others = [next(fault for fault in FAULTS if rule in fault.rules) for rule in sorted(RULED - rules)]
    drawn = named + others + draw.sample(FAULTS, FEW)
    faults = [(fault, draw.choice(boards_of(fault))) for fault in drawn]
    assert [told for fault, name in faults if (told := missed(fault, name, tmp_path))] == []


def test_a_few_sound_boards_pass(tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed + 1)
    names = [draw.choice(list(BOARDS)) for _ in range(FEW)]
    tries = [(SOUND[draw.choice(sound_on(name))], name) for name in names]
    assert [told for edits, name in tries if (told := alarmed(edits, name, tmp_path))] == []


@pytest.mark.campaign
def test_every_planted_fault_and_every_sound_board(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tries = [(fault, name) for fault in FAULTS for name in boards_of(fault)]
    misses = [told for fault, name in tries if (told := missed(fault, name, tmp_path))]
    sound = [(SOUND[key], name) for name in BOARDS for key in sound_on(name)]
    alarms = [told for edits, name in sound if (told := alarmed(edits, name, tmp_path))]
    with capsys.disabled():
        print(
            f"\nplanted faults ({len(FAULTS)} kinds): {len(tries) - len(misses)} of {len(tries)} refused "
            "by rule "
            f"and part; sound boards ({len(SOUND)} kinds): {len(alarms)} false alarms in {len(sound)}"
        )
        print("\n".join(misses + alarms))
    assert misses == []
    assert alarms == []


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["bench-12v"])
def test_every_key_of_a_board_file_taken_out_or_changed(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each number scaled by FACTORS, each key taken out: refused as it is read, refused by a rule, or
    accepted; a key of which every change is accepted must be one of FREE."""
    tree = load(BOARDS[name])
    verdicts: dict[str, Counter[str]] = {}
    for path, text in leaves(tree):
        if path.startswith("channels.") and not path.startswith("channels.9."):
            continue  # the last channel stands for all
        row = verdicts.setdefault(path, Counter())
        for edits in changes(path, text):
            found = errors(write(edited(tree, edits), tmp_path / "changed.yaml"))
            row["read" if found is None else "rule" if found else "accepted"] += 1
    total = sum(verdicts.values(), Counter())
    with capsys.disabled():
        print(f"\n{name}: {dict(total)} of {total.total()} changes to {len(verdicts)} keys; accepted:")
        for path, row in verdicts.items():
            if row["accepted"]:
                print(f"  {path}: {row['accepted']} of {row.total()}" + f" ({FREE.get(path, '')})")
    unheld = [path for path, row in verdicts.items() if not row["read"] + row["rule"] and path not in FREE]
    assert unheld == []


def changes(path: str, text: str) -> list[Edits]:
    """The key taken out, and its number scaled."""
    found: list[Edits] = [] if path.rsplit(".", 1)[-1].isdigit() else [{path: None}]
    head, _, unit = text.partition(" ")
    try:
        number = float(head)
    except ValueError:
        return found
    return found + [{path: f"{number * factor:.9f} {unit}".strip()} for factor in FACTORS]
