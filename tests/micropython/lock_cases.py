"""Conversations about the lock, as link_cases.py has them."""

import binascii
import hashlib
import struct

from boxcore import lock

try:
    from tests.micropython.link_cases import ASK, IDENTITY, NO_ERROR, PROGRAM, SECOND, block, steps
except ImportError:  # a script under MicroPython
    from link_cases import ASK, IDENTITY, NO_ERROR, PROGRAM, SECOND, block, steps

LOCKED = b'-203,"Command protected;the box is locked"\n'
WRONG = b'-224,"Illegal parameter value;wrong passcode"\n'


def digits(data):
    """A string of hexadecimal digits."""
    return b'"' + binascii.hexlify(data) + b'"'


def challenge(asked, now=0):
    """The box's challenge number `asked` of its first boot."""
    return hashlib.sha256(b"\x5a" * 32 + struct.pack("<IQI", 1, now, asked)).digest()[:16]


SALT = bytes(range(16))
ROUNDS = 200_000
KEY = bytes(range(100, 132))
SET = b"SYST:PASS:NEW %s,%d,%s," % (digits(SALT), ROUNDS, digits(KEY))
WITH_PASSCODE = [
    (b"SYST:PASS:CHAL?\n", digits(challenge(1)) + b"\n"),
    (SET + digits(lock.set_answer(KEY, challenge(1), SALT, ROUNDS)) + b"\n", b""),
]


def unlocks(asked, now=0):
    """The command that answers challenge number `asked`."""
    return b"SYST:PASS " + digits(lock.unlock_answer(KEY, challenge(asked, now))) + b"\n"


def protected(message):
    """A message that a locked box refuses without an answer."""
    return [(message + b"\n", b""), (ASK, LOCKED)]


CASES = {
    "without a passcode the box is open": [
        (b"SYST:PASS:STAT?;SALT?;TRI?\n", b'1;"",0;0,0\n'),
        (b"SYST:PASS:CDIS\n", b""),
        (ASK, b'-221,"Settings conflict;no passcode is set"\n'),
        (unlocks(1), b""),
        (ASK, b'-221,"Settings conflict;no passcode is set"\n'),
        (b"SYST:PASS:CENable:STATe?;:PROG:CAT?\n", b'1;""\n'),
    ],
    "a passcode is set, locks and unlocks": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:SALT?;STAT?\n", digits(SALT) + b",%d;1\n" % ROUNDS),
        (b"PROG:DEF " + block(PROGRAM) + b"\n", b""),
        (b"SYST:PASS:CDIS;STAT?;:SYST:ERR?\n", b"0;" + NO_ERROR),
        protected(b"PROG:CAT?"),
        (b"SYST:PASS:CHAL?\n", digits(challenge(2)) + b"\n"),
        (unlocks(2), b""),
        (b"SYST:PASS:STAT?;:PROG:CAT?\n", b'1;"SLOT0"\n'),
        (b"SYST:PASS:CDIS;CHAL?\n", digits(challenge(3)) + b"\n"),
        (b"SYST:PASS:CEN " + unlocks(3)[10:-1] + b";STAT?\n", b"1\n"),
        (b"SYST:PASS:CLE;STAT?;SALT?\n", b'1;"",0\n'),
    ),
    "a locked box tells that it is well, and opens its switches": steps(
        WITH_PASSCODE,
        (b"PROG:NAME SLOT2;DEF " + block(PROGRAM) + b";STAT RUN\n", b""),
        (b"SYST:PASS:CDIS\n", b""),
        (b"*IDN?;*OPC?;*STB?\n", IDENTITY + b";1;16\n"),
        (b"MEAS:VOLT?;TEMP?;:OUTP?;:DIAG:STAT?;BOAR?\n", b'12.600;25.12;1;RUNNING;"rig"\n'),
        (b"STAT:OPER:COND?;:STAT:QUES:COND?\n", b"16384;0\n"),
        (b"OUTP OFF;:DIAG:STAT?\n", b"IDLE\n"),
        (ASK, NO_ERROR),
        protected(b"OUTP ON"),
        protected(b"PROG:STAT RUN"),
        (b"PROG:STAT STOP;:DIAG:STAT?\n", b"IDLE\n"),
        (b"*RST;:SYST:ERR?\n", NO_ERROR),
    ),
    "a locked box keeps what gives a run away": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:CDIS\n", b""),
        protected(b"MEAS:CURR?"),
        protected(b"MMEM:DATA? 'JOURNAL',0,160"),
        protected(b"DIAG:RUN?"),
        protected(b"PROG:DEF " + block(PROGRAM)),
        protected(b"SYST:PASS:CLE"),
        protected(SET + digits(lock.set_answer(KEY, challenge(1), SALT, ROUNDS))),
        protected(b"*TST?"),
        (b"*OPC?;PROG:NAME?;*OPC?\n", b"1;1\n"),  # an execution error spoils its own unit only
        (b"SYST:ERR:COUN?\n", b"1\n"),
    ),
    "no answer serves twice, and none for another purpose": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:CDIS\n", b""),
        (unlocks(1), b""),
        (ASK, b'-221,"Settings conflict;ask for a challenge first"\n'),
        (b"SYST:PASS:CHAL?\n", digits(challenge(2)) + b"\n"),
        (b"SYST:PASS " + digits(lock.set_answer(KEY, challenge(2), SALT, ROUNDS)) + b"\n", b""),
        (ASK, WRONG),
        (unlocks(2), b""),
        (ASK, b'-221,"Settings conflict;ask for a challenge first"\n'),
        (b"SYST:PASS:CHAL?;CHAL?\n", digits(challenge(3)) + b";" + digits(challenge(4)) + b"\n"),
        (unlocks(3), b""),
        (ASK, WRONG),
        (b"SYST:PASS:CHAL?;TRI?;STAT?\n", digits(challenge(5)) + b";2,0;0\n"),
        (unlocks(5), b""),
        (b"SYST:PASS:CDIS\n", b""),
        (unlocks(5), b""),
        (ASK, b'-221,"Settings conflict;ask for a challenge first"\n'),
        (b"SYST:PASS:CHAL?\n", digits(challenge(6)) + b"\n"),
        60 * SECOND,
        (unlocks(6), b""),
        (ASK, b'-221,"Settings conflict;ask for a challenge first"\n'),
        (b"SYST:PASS:STAT?;TRI?\n", b"0;0,0\n"),
    ),
    "what is no answer is no try": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:CDIS;CHAL?\n", digits(challenge(2)) + b"\n"),
        (b"SYST:PASS\n", b""),
        (ASK, b'-109,"Missing parameter"\n'),
        (b"SYST:PASS 'owl'\n", b""),
        (ASK, b'-151,"Invalid string data"\n'),
        (b"SYST:PASS " + unlocks(2)[10:-4] + b'"\n', b""),
        (ASK, b'-151,"Invalid string data"\n'),
        (b"SYST:PASS 1\n", b""),
        (ASK, b'-128,"Numeric data not allowed"\n'),
        (unlocks(2), b""),
        (b"SYST:PASS:STAT?;TRI?\n", b"1;0,0\n"),
    ),
}
