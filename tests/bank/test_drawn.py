"""`bank check` against whole boards drawn at random and single faults in them: nothing of it was written with
the rules in view (`drawn_boards`, `drawn_faults`), no file of it ships."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.bank.drawn_boards import sound
from tests.bank.drawn_faults import KINDS, Broken, broken
from tests.bank.planted import Tree, write
from tests.bank.test_planted import errors

FEW_SOUND, FEW_BROKEN = 3, 6
SOUND, BROKEN = 40, 3 * len(KINDS)  # of the campaign


def alarmed(tree: Tree, folder: Path) -> str:
    """The errors of a sound board; "" where there is none."""
    found = errors(write(tree, folder / "sound.yaml"))
    return "" if found == set() else f"{found}: {tree}"


def missed(fault: Broken, folder: Path) -> str:
    """What is wrong with the refusal; "" where it is refused by one of its rules at one of its parts."""
    found = errors(write(fault.tree, folder / "broken.yaml"))
    if found is None:
        return f"{fault.name}: refused as it was read, by no rule"
    right = [part for part, rule in found if rule in fault.rules and part.startswith(fault.parts)]
    return "" if right else f"{fault.name}: {sorted(found) or 'ok'}"


def test_a_few_drawn_boards(tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed)
    assert [told for _ in range(FEW_SOUND) if (told := alarmed(sound(draw), tmp_path))] == []
    kinds = draw.sample(sorted(KINDS), FEW_BROKEN)
    assert [told for kind in kinds if (told := missed(broken(draw, kind), tmp_path))] == []


@pytest.mark.campaign
def test_drawn_boards_and_their_faults(tmp_path: Path, seed: int, capsys: pytest.CaptureFixture[str]) -> None:
    draw = random.Random(seed)
    alarms = [told for _ in range(SOUND) if (told := alarmed(sound(draw), tmp_path))]
    kinds = [kind for kind in sorted(KINDS) for _ in range(BROKEN // len(KINDS))]
    misses = [told for kind in kinds if (told := missed(broken(draw, kind), tmp_path))]
    with capsys.disabled():
        print(
            f"\ndrawn boards: {len(alarms)} false alarms in {SOUND}; faults ({len(KINDS)} kinds): "
            f"{len(kinds) - len(misses)} of {len(kinds)} refused by rule and part"
        )
        print("\n".join(alarms + misses))
    assert alarms == []
    assert misses == []
