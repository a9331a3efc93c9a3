"""Answers taken apart: whole, byte by byte, with more behind them; and nothing that isn't one is believed."""

from __future__ import annotations

import pytest
from boxcore import scpi_text
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.link import message

ANSWERS = [
    (b"1\n", [b"1"]),
    (b"\n", [b""]),
    (b"1;2\n", [b"1", b"2"]),
    (b'"a;b";2\n', [b'"a;b"', b"2"]),
    (b'-113,"Undefined header;x";1,2,3\n', [b'-113,"Undefined header;x"', b"1,2,3"]),
    (b'"say ""no""";1\n', [b'"say ""no"""', b"1"]),
    (b"#15he\nlo\n", [b"#15he\nlo"]),
    (b'#14;"#\n;#10;1\n', [b'#14;"#\n', b"#10", b"1"]),
    (b"1,#12ab\n", [b"1,#12ab"]),
    (b'1,#14\n;"b,2\n', [b'1,#14\n;"b,2']),
    (b"IDLE,-1,-1,-1\n", [b"IDLE,-1,-1,-1"]),
    # IEEE 488.2, 8.7.11: in a text without quotation marks any character may stand, so this is no block
    (b"box#15;1\n", [b"box#15", b"1"]),
    (b"#10,box#1\n", [b"#10,box#1"]),
]


@pytest.mark.parametrize(("received", "answers"), ANSWERS)
def test_a_message_is_known_when_its_last_byte_has_come(received, answers):
    for size in range(len(received)):
        assert message.split(received[:size]) is None
    assert message.split(received) == (answers, len(received))
    assert message.split(received + b"next") == (answers, len(received))


@pytest.mark.parametrize(
    "received", [b'"a\nb"\n', b"#0abc\n", b"#x\n", b"#2x5\n", b"x" * 300, b"#44200" + b"x" * 4200]
)
def test_what_no_box_says_is_refused(received):
    with pytest.raises(message.GarbledError):
        message.split(received)


@given(st.binary(max_size=300))
def test_any_bytes_are_an_answer_not_yet_or_never(received):
    try:
        found = message.split(received)
    except message.GarbledError:
        return
    if found is not None:
        assert 0 < found[1] <= len(received)
        assert b";".join(found[0]) + b"\n" == received[: found[1]]


@given(st.binary(max_size=160))
def test_block_data_comes_back(data):
    assert message.block_data(scpi_text.block(data)) == data
    assert message.definite_block(data) == scpi_text.block(data)


@pytest.mark.parametrize("answer", [b"", b"#", b"#1", b"15hello", b"#15hell", b"#15hello!", b"#25hello"])
def test_a_wrong_block_is_refused(answer):
    with pytest.raises(message.GarbledError):
        message.block_data(answer)


@given(st.integers(1, 9999), st.integers(0, 7), st.integers(0, 200))
def test_a_checksum_fits_only_its_own_exchange(number, bit, at):
    units, block, said, error = [":A?", ":B"], b"xyz", b"1.5\n", b'0,"No error"'
    asked = b":A?;:B;xyz" + f"{message.ERROR};{message.CHECKSUM_QUERY}{number};".encode()
    checksum = (number, _crc(asked), _crc(said + error))
    assert message.checksum_fits(checksum, units, block, said, error)
    assert not message.checksum_fits(checksum, units, None, said, error)
    assert not message.checksum_fits(checksum, [":A?"], block, said, error)
    assert not message.checksum_fits((number + 1, *checksum[1:]), units, block, said, error)
    for spoilt in (_flip(said, at, bit), said + b"\n", b""):
        assert not message.checksum_fits(checksum, units, block, spoilt, error)
    assert not message.checksum_fits(checksum, units, _flip(block, at, bit), said, error)


def _crc(data):
    import zlib

    return zlib.crc32(data)


def _flip(data, at, bit):
    at %= len(data)
    return data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]


@pytest.mark.parametrize(
    "body", [b"x" * 199, b'"' + b"y" * 197 + b'"', b"1;" * 99 + b"1", b"#15he\nlo," + b"x" * 198]
)
def test_an_answer_of_exactly_200_bytes_is_one_and_a_byte_more_is_none(body):
    found = message.split(body + b"\n")
    assert found is not None
    assert found[1] == len(body) + 1
    with pytest.raises(message.GarbledError, match="too long"):
        message.split(body + b"x\n")
