"""The lock over the link: SYSTem:PASSword, with an extension of our own.

The standard sends the password itself. Here it never travels, nor anything that a guess could be checked
against: box and host run the exchange of spake2plus.py. Bytes go as hexadecimal digits in strings, in their
order. Rows and handlers as commands_common describes them.

    SYSTem:PASSword:SALT?                  salt and cost that the host derives with; "",0: no passcode
    SYSTem:PASSword:TRIes?                 failed tries since the last good one, seconds until the next
    SYSTem:PASSword:SHARe "<X>"            begins to unlock by the host's share, a point; it is a try
    SYSTem:PASSword:SHARe?                 the box's share, "" until it may be told
    SYSTem:PASSword:CONFirm?               the box's confirmation: proof that it knows what the host knows
    SYSTem:PASSword[:CENable] "<confirmP>" the host's confirmation: unlocks
    SYSTem:PASSword:CDISable               locks now; takes no password, the next power-up would do the same
    SYSTem:PASSword[:CENable]:STATe?       1 while what is protected can be reached, 0 while locked
    SYSTem:PASSword:NEW:SHARe "<H>"        begins to set a passcode; SHARe? tells the box's share here too
    SYSTem:PASSword:NEW <block>            sets it: lock.sealed()
    SYSTem:PASSword:CLEar                  takes the passcode away: the box is open, after a power-up too
"""

import binascii

from boxcore import scpi_text as words
from boxcore.commands_common import OPEN, PROTECTED, TAKES_BLOCK
from boxcore.lock import MAC_BYTES, POINT_BYTES, SEALED_BYTES, Lock
from boxcore.states import BoxError


def hexadecimal(size):
    """A parameter that is a string of `size` bytes in hexadecimal digits."""

    def parse(item):
        try:
            data = binascii.unhexlify(words.string(item))
        except ValueError:
            data = b""
        if len(data) != size:
            raise BoxError(-151)
        return data

    return parse


def _does(method):
    """The handler that calls a method of the lock with the time and the parameters."""
    return lambda ins, *values: method(ins.box.lock, ins.now, *values)


def _tells(method):
    """The handler that answers with the bytes that a method of the lock returns."""
    return lambda ins: _digits(method(ins.box.lock, ins.now))


def _digits(data):
    return words.quoted(binascii.hexlify(data).decode())


def _set(ins, size):
    if size != SEALED_BYTES:
        raise BoxError(-161)
    data = b""
    piece = yield
    while piece is not None:
        data += bytes(piece)
        piece = yield
    ins.box.lock.set(ins.now, data)


_CONFIRMATION = hexadecimal(MAC_BYTES)
_POINT = hexadecimal(POINT_BYTES)

TABLE = (
    ("SYSTem:PASSword[:CENable]", OPEN, 1, (_CONFIRMATION,), _does(Lock.unlock)),
    ("SYSTem:PASSword[:CENable]:STATe?", OPEN, 0, (), lambda ins: int(not ins.box.lock.locked)),
    ("SYSTem:PASSword:CDISable", OPEN, 0, (), _does(Lock.lock)),
    ("SYSTem:PASSword:SHARe", OPEN, 1, (_POINT,), _does(Lock.begin)),
    ("SYSTem:PASSword:SHARe?", OPEN, 0, (), _tells(Lock.share)),
    ("SYSTem:PASSword:CONFirm?", OPEN, 0, (), _tells(Lock.confirmation)),
    ("SYSTem:PASSword:SALT?", OPEN, 0, (), lambda ins: (_digits(ins.box.lock.salt), ins.box.lock.cost)),
    ("SYSTem:PASSword:TRIes?", OPEN, 0, (), lambda ins: (ins.box.lock.tries, ins.box.lock.wait_s(ins.now))),
    ("SYSTem:PASSword:NEW:SHARe", PROTECTED, 1, (_POINT,), _does(Lock.begin_set)),
    ("SYSTem:PASSword:NEW", PROTECTED, 0, (), _set, TAKES_BLOCK),
    ("SYSTem:PASSword:CLEar", PROTECTED, 0, (), _does(Lock.clear)),
)
