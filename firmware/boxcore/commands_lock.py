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

from boxcore import lock
from boxcore import scpi_text as words
from boxcore.commands_common import OPEN, PROTECTED
from boxcore.scpi_errors import ScpiError

CONFIRMATION_BYTES = 32


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


class Sealed:
    """Takes the block of NEW."""

    def __init__(self):
        self.data = b""

    def write(self, piece):
        """More of it."""
        self.data += bytes(piece)

    def abort(self):
        """Nothing was kept that could go wrong."""


def _open_set(ins, size):
    if size != lock.SEALED_BYTES:
        raise ScpiError(-161)
    return Sealed()


def _digits(data):
    return words.quoted(binascii.hexlify(data).decode())


def _salt(ins):
    return "%s,%d" % (_digits(ins.box.lock.salt), ins.box.lock.cost)


def _tries(ins):
    return "%d,%d" % (ins.box.lock.tries, ins.box.lock.wait_s(ins.now))


_POINT = hexadecimal(lock.POINT_BYTES)

TABLE = (
    (
        "SYSTem:PASSword[:CENable]",
        OPEN,
        1,
        (hexadecimal(CONFIRMATION_BYTES),),
        lambda ins, confirmation: ins.box.lock.unlock(ins.now, confirmation),
    ),
    ("SYSTem:PASSword[:CENable]:STATe?", OPEN, 0, (), lambda ins: "0" if ins.box.lock.locked else "1"),
    ("SYSTem:PASSword:CDISable", OPEN, 0, (), lambda ins: ins.box.lock.lock(ins.now)),
    ("SYSTem:PASSword:SHARe", OPEN, 1, (_POINT,), lambda ins, share: ins.box.lock.begin(ins.now, share)),
    ("SYSTem:PASSword:SHARe?", OPEN, 0, (), lambda ins: _digits(ins.box.lock.share(ins.now))),
    ("SYSTem:PASSword:CONFirm?", OPEN, 0, (), lambda ins: _digits(ins.box.lock.confirmation(ins.now))),
    ("SYSTem:PASSword:SALT?", OPEN, 0, (), _salt),
    ("SYSTem:PASSword:TRIes?", OPEN, 0, (), _tries),
    (
        "SYSTem:PASSword:NEW:SHARe",
        PROTECTED,
        1,
        (_POINT,),
        lambda ins, share: ins.box.lock.begin_set(ins.now, share),
    ),
    (
        "SYSTem:PASSword:NEW",
        PROTECTED,
        0,
        (),
        lambda ins, sink: ins.box.lock.set(ins.now, sink.data),
        _open_set,
    ),
    ("SYSTem:PASSword:CLEar", PROTECTED, 0, (), lambda ins: ins.box.lock.clear(ins.now)),
)
