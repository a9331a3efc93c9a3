"""Conversations about the lock, as link_cases.py has them."""

import binascii

from boxcore import lock, spake2plus
from nightdraw import exchange

try:
    from tests.micropython.link_cases import ASK, IDENTITY, NO_ERROR, PROGRAM, SECOND, block, steps
    from tests.micropython.lock_host import COST, SALT, Host, box_number, multiple
except ImportError:  # a script under MicroPython
    from link_cases import ASK, IDENTITY, NO_ERROR, PROGRAM, SECOND, block, steps
    from lock_host import COST, SALT, Host, box_number, multiple

LOCKED = b'-203,"Command protected;the box is locked"\n'
WRONG = b'-224,"Illegal parameter value;wrong passcode"\n'
SHARE_FIRST = b'-221,"Settings conflict;send a share first"\n'
WAIT = b'-221,"Settings conflict;wait for the share"\n'
TELL = lock.TELL_TICKS


def digits(data):
    """A string of hexadecimal digits."""
    return b'"' + binascii.hexlify(data) + b'"'


HOST = Host(0xA11CE, 0xB0B)
OTHER = Host(0xA11CF, 0xB0B)
H = 0x51DE
X = (0xCAFE, 0xBEEF)
SET_SHARE = spake2plus.encode(multiple(H, spake2plus.BASE))
BOX_SET_SHARE = spake2plus.encode(multiple(box_number(b"", 0, 1), spake2plus.BASE))
KEY = exchange.finish(exchange.agree(H, BOX_SET_SHARE))
SET = b"SYST:PASS:NEW " + block(exchange.encrypted_record(KEY, SALT, COST, HOST.record))
WITH_PASSCODE = [
    (b"SYST:PASS:NEW:SHAR " + digits(SET_SHARE) + b"\n", b""),
    (b"SYST:PASS:SHAR?\n", digits(BOX_SET_SHARE) + b"\n"),
    (SET + b"\n", b""),
]
SHARES = [HOST.share(x) for x in X]


def box_share(now, begun):
    """What the box answers to any share: its own doesn't depend on it."""
    return spake2plus.encode(
        exchange.finish(
            spake2plus.affine(
                spake2plus.add(multiple(box_number(HOST.record, now, begun), spake2plus.BASE), HOST.w0_n)
            )
        )
    )


FIRST = box_share(0, 2)
LATER = box_share(TELL, 3)
RIGHT = HOST.keys(X[0], FIRST)
RIGHT_LATER = HOST.keys(X[1], LATER)


def begins(k):
    """The command that begins to unlock with share k, without its NL."""
    return b"SYST:PASS:SHAR " + digits(SHARES[k])


def confirms(keys):
    """The command that unlocks."""
    return b"SYST:PASS " + digits(keys.prover_confirmation) + b"\n"


def protected(message):
    """A message that a locked box refuses without an answer."""
    return [(message + b"\n", b""), (ASK, LOCKED)]


CASES = {
    "without a passcode the box is open": [
        (b"SYST:PASS:STAT?;SALT?;TRI?\n", b'1;"",0;0,0\n'),
        (b"SYST:PASS:CDIS\n", b""),
        (ASK, b'-221,"Settings conflict;no passcode is set"\n'),
        (begins(0) + b"\n", b""),
        (ASK, b'-221,"Settings conflict;no passcode is set"\n'),
        (confirms(RIGHT), b""),
        (ASK, b'-221,"Settings conflict;no passcode is set"\n'),
        (b"SYST:PASS:CENable:STATe?;:PROG:CAT?\n", b'1;""\n'),
    ],
    "a passcode is set, locks and unlocks": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:SALT?;STAT?\n", digits(SALT) + b",%d;1\n" % COST),
        (b"PROG:DEF " + block(PROGRAM) + b"\n", b""),
        (b"SYST:PASS:CDIS;STAT?;:SYST:ERR?\n", b"0;" + NO_ERROR),
        protected(b"PROG:CAT?"),
        (begins(0) + b";TRI?\n", b"1,0\n"),
        (b"SYST:PASS:SHAR?\n", b'""\n'),
        TELL - 1,
        (b"SYST:PASS:SHAR?\n", b'""\n'),
        (b"SYST:PASS:CONF?\n", b""),
        (ASK, WAIT),
        (confirms(RIGHT), b""),
        (ASK, WAIT),
        1,
        (b"SYST:PASS:SHAR?\n", digits(FIRST) + b"\n"),
        (begins(0) + b";TRI?\n", b"1,0\n"),  # the same share again is the same try
        (b"SYST:PASS:SHAR?\n", digits(FIRST) + b"\n"),
        (b"SYST:PASS:CONF?\n", digits(RIGHT.verifier_confirmation) + b"\n"),
        (confirms(RIGHT), b""),
        (b"SYST:PASS:STAT?;TRI?;:PROG:CAT?\n", b'1;0,0;"SLOT0"\n'),
        (b"SYST:PASS:CLE;STAT?;SALT?\n", b'1;"",0\n'),
    ),
    "a locked box tells that it is well, and opens its switches": steps(
        WITH_PASSCODE,
        (b"PROG:NAME SLOT2;DEF " + block(PROGRAM) + b";STAT RUN\n", b""),
        (b"SYST:PASS:CDIS\n", b""),
        (b"*IDN?\n", IDENTITY + b"\n"),
        (b"*OPC?;*STB?\n", b"1;16\n"),
        (b"MEAS:VOLT?;:OUTP?;:DIAG:STAT?;BOAR?\n", b'12.6;1;RUNNING;"rig"\n'),
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
        protected(b"MEAS:TEMP?"),
        protected(b"MMEM:DATA? 'JOURNAL',0,160"),
        protected(b"DIAG:RUN?"),
        protected(b"PROG:DEF " + block(PROGRAM)),
        protected(b"SYST:PASS:CLE"),
        protected(SET),
        protected(b"*TST?"),
        (b"*OPC?;PROG:NAME?;*OPC?\n", b"1;1\n"),  # an execution error spoils its own unit only
        (b"SYST:ERR:COUN?\n", b"1\n"),
    ),
    "no confirmation serves twice, and none for another exchange": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:CDIS\n", b""),
        (confirms(RIGHT), b""),
        (ASK, SHARE_FIRST),
        (begins(0) + b"\n", b""),
        TELL,
        (begins(1) + b";TRI?\n", b"2,0\n"),
        TELL,
        (b"SYST:PASS:SHAR?\n", digits(LATER) + b"\n"),
        (confirms(RIGHT), b""),
        (ASK, WRONG),
        (confirms(RIGHT_LATER), b""),
        (ASK, SHARE_FIRST),
        (b"SYST:PASS:STAT?;TRI?\n", b"0;2,0\n"),
        (begins(1) + b";TRI?\n", b"3,5\n"),
        60 * SECOND,
        (b"SYST:PASS:SHAR?\n", b""),
        (ASK, SHARE_FIRST),
    ),
    "what is no share and no confirmation is no try": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:CDIS\n", b""),
        (b"SYST:PASS:SHAR\n", b""),
        (ASK, b'-109,"Missing parameter"\n'),
        (b"SYST:PASS:SHAR 'owl'\n", b""),
        (ASK, b'-151,"Invalid string data"\n'),
        (b"SYST:PASS:SHAR " + digits(b"\4" + bytes(64)) + b"\n", b""),
        (ASK, b'-224,"Illegal parameter value;not on the curve"\n'),
        (b"SYST:PASS:SHAR " + digits(bytes(65)) + b"\n", b""),
        (ASK, b'-224,"Illegal parameter value;not an uncompressed point"\n'),
        (b"SYST:PASS 1\n", b""),
        (ASK, b'-128,"Numeric data not allowed"\n'),
        (b"SYST:PASS:TRI?\n", b"0,0\n"),
    ),
    "a share that is the box's own mask leaves nothing to share": steps(
        WITH_PASSCODE,
        (b"SYST:PASS:CDIS\n", b""),
        (b"SYST:PASS:SHAR " + digits(spake2plus.encode(HOST.w0_m)) + b";TRI?\n", b"1,0\n"),
        TELL,
        (b"SYST:PASS:SHAR?\n", b""),
        (ASK, SHARE_FIRST),
    ),
    "a passcode that came through changed is not taken": steps(
        WITH_PASSCODE[:2],
        (SET[:-1] + bytes((SET[-1] ^ 1,)) + b"\n", b""),
        (ASK, b'-224,"Illegal parameter value;it did not come through whole"\n'),
        (SET + b"\n", b""),
        (ASK, SHARE_FIRST),
        (b"SYST:PASS:NEW #15owlet\n", b""),
        (ASK, b'-161,"Invalid block data"\n'),
        (b"SYST:PASS:SALT?\n", b'"",0\n'),
    ),
}
