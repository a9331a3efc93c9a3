"""How many words each function of a compiled module takes for a call: read from the .mpy file.

The format is version 6 as MicroPython's py/persistentcode.c reads it, a function's prelude as py/bc.h has it;
written from those descriptions.
"""

from __future__ import annotations

HEADER_BYTES = 4
HANDLER_WORDS = 3  # an exception handler's, of MicroPython's mp_exc_stack_t
SINGLE = 4  # kinds of constant up to this have no bytes of their own
TUPLE = 10
WITH_END = (5, 6)  # strings and bytes have a zero behind them


class _Reader:
    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, HEADER_BYTES

    def byte(self) -> int:
        self.at += 1
        return self.data[self.at - 1]

    def number(self) -> int:
        value, more = 0, True
        while more:
            byte = self.byte()
            value, more = value << 7 | byte & 0x7F, byte > 0x7F
        return value

    def skip_name(self) -> str:
        size = self.number()
        if size & 1:  # one of MicroPython's own names, by its number
            return f"#{size >> 1}"
        self.at += (size >> 1) + 1
        return self.data[self.at - 1 - (size >> 1) : self.at - 1].decode()

    def skip_constant(self) -> None:
        kind = self.byte()
        if kind == TUPLE:
            for _ in range(self.number()):
                self.skip_constant()
        elif kind > SINGLE:
            size = self.number()
            self.at += size + (kind in WITH_END)


def words(compiled: bytes) -> dict[str, int]:
    """{function with its classes: words} of a .mpy file's bytes; an __init__ and the like go by a number."""
    reader = _Reader(compiled)
    names, constants = reader.number(), reader.number()
    named = [reader.skip_name() for _ in range(names)]
    for _ in range(constants):
        reader.skip_constant()
    found: dict[str, int] = {}
    _function(reader, named, None, found)
    return found


def _function(reader: _Reader, named: list[str], inside: str | None, found: dict[str, int]) -> None:
    head = reader.number()
    end = reader.at + (head >> 3)
    slots = _slots(reader)
    while reader.byte() > 0x7F:  # what else the prelude says: not wanted
        pass
    name = (inside or "") + named[reader.number()]
    found[name] = slots
    reader.at = end
    if head & 4:
        within = "" if inside is None else name + "."  # the module is the outermost
        for _ in range(reader.number()):
            _function(reader, named, within, found)


def _slots(reader: _Reader) -> int:
    """Locals and stack of a prelude, which lie scattered over its first bytes, and its handlers."""
    byte = reader.byte()
    slots, handlers, n = byte >> 3 & 15, byte >> 2 & 1, 0
    while byte & 0x80:
        byte = reader.byte()
        slots |= (byte & 0x30) << 2 * n
        handlers |= (byte & 2) << n
        n += 1
    return slots + 1 + HANDLER_WORDS * handlers
