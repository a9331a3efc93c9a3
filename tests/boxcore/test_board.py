"""board.json: what the host writes the box reads, and nothing damaged is believed."""

import binascii
import contextlib
import json

import pytest
from boxcore import board
from hypothesis import given
from hypothesis import strategies as some
from nightdraw.link.firmware import board_json

from tests.boxcore import fakes


@some.composite
def boards(draw):
    channels = draw(some.integers(1, 16))
    caps = {name: draw(some.integers(0, 2**32 - 1)) for name in board.CAPS}
    caps["supply_max_mv"] = draw(some.integers(caps["supply_min_mv"] + 1, 2**33))
    return board.Board(
        draw(some.from_regex(r"[a-z][a-z0-9-]{0,31}", fullmatch=True)),
        draw(some.lists(some.integers(1, 10**8), min_size=channels, max_size=channels)),
        draw(some.lists(some.integers(0, 29), min_size=channels, max_size=channels, unique=True)),
        draw(some.integers(0, 10**6)),
        draw(some.booleans()),
        caps,
        draw(some.dictionaries(some.sampled_from(sorted(board.HARDWARE)), some.integers(0, 10**6))),
    )


@given(boards())
def test_dump_and_load_are_inverse(one):
    assert vars(board.load(board_json(one))) == vars(one)


def test_every_change_of_one_byte_is_refused_or_means_the_same():
    data = board_json(fakes.board())
    same = vars(board.load(data))
    for at in range(len(data)):
        for change in (1, 2, 4, 8, 16, 32, 64, 128, 255):
            bad = bytearray(data)
            bad[at] ^= change
            with contextlib.suppress(board.BoardError):
                assert vars(board.load(bad)) == same


def test_a_board_that_was_cut_is_refused():
    data = board_json(fakes.board())
    for length in range(len(data) - 1):  # without its last line end it is still whole
        with pytest.raises(board.BoardError):
            board.load(data[:length])


def sealed(text):
    return b"%08x\n%s\n" % (binascii.crc32(text), text)


@pytest.mark.parametrize("text", [b"", b"7", b"[]", b"{", b'{"format": 2}', b'{"format": 1}', b"\xff"])
def test_what_is_no_board_under_a_right_crc_is_refused(text):
    with pytest.raises(board.BoardError):
        board.load(sealed(text))


def test_an_unknown_key_under_a_right_crc_is_refused():
    body = json.loads(board_json(fakes.board()).split(b"\n")[1])
    for value in (5, {"speed": 1}):
        with pytest.raises(board.BoardError):
            board.load(sealed(json.dumps({**body, "hardware": value}).encode()))
