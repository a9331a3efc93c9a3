"""The instrument against the standards IEEE 488.2 and SCPI-1999, by values and tools from outside it.

Sources: [V] pyvisa.util, an independent implementation of 488.2 blocks; [K] SCPI-1999 volume 1, 6.2.1, as a
public instrument manual restates it (easymanua.ls, 6430, page 271); [E] the list of SCPI's error numbers and
texts in j123b567/scpi-parser, libscpi/inc/scpi/error.h, commit 23d91ad; [M] the standards' own tables, from
memory.
"""

from __future__ import annotations

import re

import pytest
from boxcore import commands_box, scpi_status, scpi_text
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.link import message
from pyvisa import util

from tests.micropython import doors
from tests.micropython.link_rig import Rig

# [M] IEEE 488.2 section 10: the common commands that every device has.
COMMON = ["*CLS", "*ESE 0", "*ESE?", "*ESR?", "*IDN?", "*OPC", "*OPC?", "*RST", "*SRE 0", "*SRE?", "*STB?"]
COMMON += ["*TST?", "*WAI"]
# [M] SCPI-1999 volume 1, 4.2.1: what every SCPI instrument has besides.
MANDATORY = ["SYST:ERR?", "SYST:ERR:NEXT?", "SYST:VERS?", "STAT:PRES"]
MANDATORY += [
    f"STAT:{register}{node}"
    for register in ("OPER", "QUES")
    for node in ("?", ":EVEN?", ":COND?", ":ENAB 0", ":ENAB?")
]
# [K] keywords with their short form in capitals; the rule is in short_form() below.
KEYWORDS = "VOLTage CURRent SYSTem ERRor VERSion OUTPut STATus MEASure MMEMory DIAGnostic DELete LEVel COUNt"
KEYWORDS += (
    " IMMediate SOURce MINimum MAXimum INFinity LIST PULSe DELay POWer CALibration TRIGger INITiate ABORt"
)
# [E] the numbers that this instrument uses; "Device specific" and the like are not among them.
TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -203: "Command protected",  # the list's own text has a slip behind these words
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -241: "Hardware missing",
    -250: "Mass storage error",
    -256: "File name not found",
    -282: "Illegal program name",
    -284: "Program currently running",
    -285: "Program syntax error",
    -311: "Memory error",
    -313: "Calibration memory lost",
    -315: "Configuration memory lost",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}
# [M] SCPI-1999 volume 2, 21.8: class of errors -> bit of the standard event status register (488.2, 11.5.1).
CLASS_BITS = {-113: 32, -222: 16, -363: 8, -430: 4}


@pytest.fixture
def rig() -> Rig:
    return Rig()


def test_block_vectors():
    """[V] what pyvisa writes and reads."""
    assert util.to_ieee_block([1, 2, 3], "B") == b"#13\x01\x02\x03" == scpi_text.block(bytes([1, 2, 3]))
    assert util.parse_ieee_block_header(b"#3006abcdef") == (5, 6)


@given(st.binary(max_size=2000))
def test_blocks_are_pyvisas_blocks(data):
    """[V] in both directions, on the box and on the host."""
    block = util.to_ieee_block(list(data), "B")
    assert scpi_text.block(data) == message.definite_block(data) == block
    assert bytes(util.from_ieee_block(scpi_text.block(data), "B")) == data
    assert message.block_data(block) == data


@pytest.mark.parametrize("header", ["#14\n;'\"", "#3004\n;'\"", "#9000000004\n;'\""])
def test_the_box_takes_every_length_field(rig, header):
    """[V] leading zeros belong to the length field; the bytes are no program, so -285 says that they came."""
    assert util.parse_ieee_block_header(header.encode())[1] == 4
    assert rig.say(b"PROG:DEF " + header.encode() + b"\nSYST:ERR?;*OPC?\n").startswith(
        b'-285,"Program syntax error'
    )


def short_form(keyword):
    """[K] up to four letters: the keyword; else the first four, or three where the fourth is a vowel or y."""
    if len(keyword) <= 4:
        return keyword
    return keyword[:3] if keyword[3] in "AEIOUY" else keyword[:4]


def capitals(word):
    """The short form as a table writes it."""
    return "".join(c for c in word if c.isupper())


@pytest.mark.parametrize("keyword", KEYWORDS.split())
def test_the_short_form_rule_itself(keyword):
    assert short_form(keyword.upper()) == capitals(keyword)


def test_every_keyword_follows_the_short_form_rule():
    words = {word for row in doors.rows() for word in re.findall(r"[A-Za-z]+", row[0]) if row[0][0] != "*"}
    assert len(words) > 40
    assert [word for word in words if capitals(word) != short_form(word.upper())] == []
    for word in words:
        accepted = [size for size in range(1, 13) if scpi_text.is_form_of(word, word.upper()[:size])]
        assert accepted == sorted({len(capitals(word)), len(word), *range(len(word) + 1, 13)})


@pytest.mark.parametrize("cut", range(1, 8))
def test_nothing_between_the_short_and_the_long_form(rig, cut):
    """[M] SCPI-1999 volume 1, 6.2.1: only exactly the short or the long form."""
    word = "VERSION"[:cut]
    assert rig.say(f"SYST:{word}?\n".encode()) == (b"1999.0\n" if word in ("VERS", "VERSION") else b"")


@pytest.mark.parametrize("unit", COMMON + MANDATORY)
def test_what_every_instrument_has(rig, unit):
    answer = rig.say(unit.encode() + b"\n")
    assert bool(answer) == unit.endswith("?")
    assert rig.say(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_forms_of_the_answers(rig):
    """[M] 488.2, 10.14 and SCPI-1999 volume 2, 21.8, 21.21."""
    identity = rig.say(b"*IDN?\n").decode().rstrip("\n")
    assert len(identity) <= 72
    assert len(identity.split(",")) == 4
    assert re.fullmatch(r"\d{4}\.\d\n", rig.say(b"SYST:VERS?\n").decode())
    rig.say(b"BOGUS\nCURR 99\n")
    for _ in range(3):
        assert re.fullmatch(r'-?\d+,"[^"]{1,255}"\n', rig.say(b"SYST:ERR?\n").decode())


def test_numbers_and_texts_are_the_standards():
    """[E]"""
    assert doors.error_texts() == TEXTS


@pytest.mark.parametrize("code", sorted(CLASS_BITS))
def test_the_class_of_an_error_sets_its_bit(rig, code):
    """Errors made the way a script would make them; [M] for the bits."""
    makes = {
        -113: b"BOGUS\n",
        -222: b"CURR 99\n",
        -363: b"x" * 300 + b"\n",
        -430: b"*ESR?;:SYST:ERR?;" * 14 + b"\n",
    }
    rig.say(b"*CLS\n" + makes[code])
    assert rig.say(b"*ESR?\n") == b"%d\n" % CLASS_BITS[code]
    assert rig.say(b"*ESR?\n") == b"0\n"
    assert rig.say(b"SYST:ERR?\n").startswith(b"%d," % code)


@pytest.mark.parametrize("code", sorted(TEXTS))
def test_every_number_lies_in_a_class(code):
    """[M] -1xx command, -2xx execution, -3xx device, -4xx query."""
    if code:
        assert scpi_status.event_bit(code) == {1: 32, 2: 16, 3: 8, 4: 4}[-code // 100]


def test_the_queue_is_first_in_first_out_and_overflows_into_its_newest(rig):
    """[M] SCPI-1999 volume 2, 21.8."""
    rig.say(b"CURR 99\n" + b"BOGUS\n" * (scpi_status.QUEUE_DEPTH + 5))
    assert rig.say(b"SYST:ERR:COUN?\n") == b"%d\n" % scpi_status.QUEUE_DEPTH
    codes = [int(rig.say(b"SYST:ERR?\n").split(b",")[0]) for _ in range(scpi_status.QUEUE_DEPTH + 1)]
    assert codes == [-222, *[-113] * (scpi_status.QUEUE_DEPTH - 2), -350, 0]


def test_bits_of_the_status_byte(rig):
    """[M] 488.2, 11.2: 4 error queue, 8 QUEStionable, 16 MAV, 32 ESB, 64 MSS, 128 OPERation."""
    rig.say(b"*CLS;*ESE 255;*SRE 0;:STAT:OPER:ENAB 32767;:STAT:QUES:ENAB 32767\n")
    assert rig.say(b"*STB?\n") == b"0\n"
    assert rig.say(b"*OPC?;*STB?\n") == b"1;16\n"
    rig.say(b"BOGUS\n")
    assert rig.say(b"*STB?\n") == b"36\n"
    rig.say(b"OUTP ON\n")
    rig.readings.bank_cdeg = 15_000
    rig.wait(10)
    assert rig.say(b"*STB?\n") == b"172\n"
    assert rig.say(b"*SRE 4;*STB?\n") == b"236\n"
    assert rig.say(b"*CLS;*STB?\n") == b"0\n"


def test_reset_keeps_what_the_standard_says_it_keeps(rig):
    """[M] 488.2, 10.32: *RST touches neither the queues, nor the enables, nor the event registers."""
    rig.say(b"*ESE 60;*SRE 36;BOGUS\n*RST\n")
    assert rig.say(b"*ESE?;*SRE?;:SYST:ERR:COUN?;*ESR?\n") == b"60;36;1;160\n"


@pytest.mark.parametrize(
    ("text", "milliamperes"),
    [("50E-3", 50), ("50 MA", 50), ("0.05A", 50), ("50000UA", 50), ("5.0E+1 mA", 50)],
)
def test_numbers_with_suffixes(rig, text, milliamperes):
    """[M] 488.2, 7.7.2 and 7.7.3: <NRf> with a suffix; M is milli before A."""
    assert rig.say(f"CURR {text};CURR?\n".encode()) == b"%d.%06d\n" % divmod(milliamperes * 1000, 1_000_000)


def test_a_bounded_answer_is_asked_for_in_records():
    assert commands_box.MAX_DATA % 16 == 0
