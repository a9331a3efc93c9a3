"""The lock over the link: SYSTem:PASSword, with an extension of our own.

The standard sends the password itself. Here it never travels: CENable takes the answer to a challenge (see
lock.py), so that whoever listens can use nothing again. Bytes go as hexadecimal digits in strings, in their
order. Rows and handlers as commands_common describes them.

    SYSTem:PASSword:CHALlenge?             sixteen bytes, good for one answer within a minute
    SYSTem:PASSword[:CENable] "<answer>"   unlocks; the answer is HMAC-SHA-256(key, "unlock" challenge)
    SYSTem:PASSword:CDISable               locks now; takes no password, the next power-up would do the same
    SYSTem:PASSword[:CENable]:STATe?       1 while what is protected can be reached, 0 while locked
    SYSTem:PASSword:SALT?                  salt and rounds that the host made the key with; "",0: no passcode
    SYSTem:PASSword:TRIes?                 failed tries since the last good one, seconds until the next
    SYSTem:PASSword:NEW "<salt>",<rounds>,"<key>","<answer>"  sets a passcode; the answer is HMAC-SHA-256(key,
                                           "set" challenge salt rounds), rounds as four bytes, lowest first
    SYSTem:PASSword:CLEar                  takes the passcode away: the box is open, after a power-up too
"""

import binascii

from boxcore import lock
from boxcore import scpi_text as words
from boxcore.commands_common import OPEN, PROTECTED
from boxcore.scpi_errors import ScpiError


def hexadecimal(size):
    """A parameter that is a string of `size` bytes in hexadecimal digits."""

    def parse(item):
        try:
            data = binascii.unhexlify(words.string(item))
        except ValueError:
            raise ScpiError(-151) from None
        if len(data) != size:
            raise ScpiError(-151)
        return data

    return parse


def _digits(data):
    return words.quoted(binascii.hexlify(data).decode())


def _challenge(ins):
    return _digits(ins.box.challenge(ins.now))


def _unlock(ins, answer):
    ins.box.unlock(ins.now, answer)


def _lock(ins):
    ins.box.latch(ins.now)


def _state(ins):
    return "0" if ins.box.lock.locked else "1"


def _salt(ins):
    return "%s,%d" % (_digits(ins.box.lock.salt), ins.box.lock.rounds)


def _tries(ins):
    return "%d,%d" % (ins.box.lock.tries, ins.box.lock.wait_s(ins.now))


def _set(ins, salt, rounds, key, answer):
    ins.box.set_passcode(ins.now, salt, key, rounds, answer)


def _clear(ins):
    ins.box.clear_passcode(ins.now)


_ANSWER = hexadecimal(lock.KEY_BYTES)
_NEW = (hexadecimal(lock.SALT_BYTES), words.integer(1, lock.MAX_ROUNDS), hexadecimal(lock.KEY_BYTES), _ANSWER)

TABLE = (
    ("SYSTem:PASSword[:CENable]", OPEN, 1, (_ANSWER,), _unlock),
    ("SYSTem:PASSword[:CENable]:STATe?", OPEN, 0, (), _state),
    ("SYSTem:PASSword:CDISable", OPEN, 0, (), _lock),
    ("SYSTem:PASSword:CHALlenge?", OPEN, 0, (), _challenge),
    ("SYSTem:PASSword:SALT?", OPEN, 0, (), _salt),
    ("SYSTem:PASSword:TRIes?", OPEN, 0, (), _tries),
    ("SYSTem:PASSword:NEW", PROTECTED, 4, _NEW, _set),
    ("SYSTem:PASSword:CLEar", PROTECTED, 0, (), _clear),
)
