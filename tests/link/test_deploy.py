"""Which boards the firmware goes on, by what a board says of itself. Real installations: tests/box."""

from __future__ import annotations

import pytest
from nightdraw.errors import InputError
from nightdraw.link import deploy


def facts(**other):
    return {
        "python": "micropython",
        "version": (1, 28, 0),
        "bytecode": 6,
        "platform": "rp2",
        "machine": "a board with RP2040",
        "bytes": 1_441_792,
        "free": 1_400_000,
    } | other


def test_a_fitting_board_is_accepted():
    deploy.check_board(facts())
    deploy.check_board(facts(version=(1, 29, 1)))


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"version": (1, 27, 0)}, r"1\.27\.0.*MicroPython 1\.28 or later"),
        ({"python": "circuitpython"}, "MicroPython 1"),
        ({"bytecode": 5}, "MicroPython 1"),
        ({"machine": "a board with RP2350"}, "RP2350"),
        ({"bytes": 868_352}, "has 848 KB, a box needs 1024 KB"),
    ],
)
def test_a_board_that_does_not_fit_is_refused(other, said):
    with pytest.raises(InputError, match=said):
        deploy.check_board(facts(**other))
