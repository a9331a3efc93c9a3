"""Power cuts on a real littlefs under real MicroPython, and what the box's writing costs the flash."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.micropython import runner

SCRIPT = Path(__file__).with_name("flash_board.py")
SCENARIOS = {"store": 25, "arm": 8, "play": 40, "halt": 20, "trip": 30}  # and the fewest cuts that prove it

# Ten years of classes: six hours a day on 200 days a year. Common practice: flash lasts 100 000 erases a
# sector; littlefs spreads them over the board's 352 sectors.
CLASS_S = 10 * 200 * 6 * 3_600
FLASH_ERASES = 352 * 100_000


@pytest.fixture(scope="module")
def counted() -> dict[str, list[int]]:
    """What the script printed: a name and its numbers a line."""
    lines = runner.run(SCRIPT).decode().splitlines()
    return {line.split()[0]: [int(number) for number in line.split()[1:]] for line in lines}


@pytest.mark.parametrize("name", SCENARIOS)
def test_whatever_a_cut_falls_into_it_is_old_or_new(counted: dict[str, list[int]], name: str) -> None:
    """The promises themselves are asserted in the script, after each cut."""
    assert counted[name][0] >= SCENARIOS[name]


def test_an_append_costs_one_erase_and_a_ledger_a_fraction(counted: dict[str, list[int]]) -> None:
    appends, erases = counted["append"]
    assert 0.9 < erases / appends < 1.3
    ledgers, erases = counted["ledger"]
    assert erases / ledgers < 0.3


def test_a_busy_profile_leaves_the_flash_half_its_life_after_ten_years(counted: dict[str, list[int]]) -> None:
    seconds, erases = counted["busy"]
    assert 0 < erases / seconds * CLASS_S < FLASH_ERASES / 2
