"""The standard's error numbers and texts that this instrument uses, and the queue that keeps them.

Numbers and texts are SCPI-1999's (volume 2, 21.8). Nothing here decides when an error happens.
"""

QUEUE_DEPTH = 16  # entries; a line gives one error, so this is what a script may send before it must look
MAX_TEXT = (
    120  # characters of a text with its device information: an answer has 200 bytes (the standard: 255)
)
OVERFLOW = -350
UNLISTED = -200  # shown for a number that has no text here

# One text, for fifty small ones take three times the memory on the board.
TEXTS = """
0 No error
-101 Invalid character
-103 Invalid separator
-104 Data type error
-108 Parameter not allowed
-109 Missing parameter
-110 Command header error
-111 Header separator error
-112 Program mnemonic too long
-113 Undefined header
-121 Invalid character in number
-123 Exponent too large
-128 Numeric data not allowed
-131 Invalid suffix
-138 Suffix not allowed
-141 Invalid character data
-148 Character data not allowed
-151 Invalid string data
-158 String data not allowed
-161 Invalid block data
-168 Block data not allowed
-200 Execution error
-203 Command protected
-221 Settings conflict
-222 Data out of range
-223 Too much data
-224 Illegal parameter value
-225 Out of memory
-241 Hardware missing
-250 Mass storage error
-256 File name not found
-282 Illegal program name
-284 Program currently running
-285 Program syntax error
-286 Program runtime error
-311 Memory error
-313 Calibration memory lost
-315 Configuration memory lost
-340 Calibration failed
-350 Queue overflow
-363 Input buffer overrun
-365 Time out error
-430 Query DEADLOCKED
-440 Query UNTERMINATED after indefinite response
"""

# Bits of the standard event status register (488.2, 11.5.1) and the class of errors that sets each.
OPERATION_COMPLETE, QUERY, DEVICE, EXECUTION, COMMAND, POWER_ON = 1, 4, 8, 16, 32, 128
CLASSES = {1: COMMAND, 2: EXECUTION, 3: DEVICE, 4: QUERY}  # hundreds of the negative number


class ScpiError(Exception):
    """A unit is refused: `code` of TEXTS, `info` device information for the reader."""

    def __init__(self, code, info=""):
        super().__init__(code, info)
        self.code = code
        self.info = info


def text_of(code):
    """The standard's text for a number; for one that has none here that of UNLISTED."""
    at = TEXTS.find("\n%d " % code)
    if at < 0:
        at = TEXTS.find("\n%d " % UNLISTED)
    return TEXTS[TEXTS.find(" ", at) + 1 : TEXTS.find("\n", at + 1)]


def is_command_error(code):
    """True for the class after which the rest of the message can't be trusted (-100 .. -199)."""
    return -199 <= code <= -100


def event_bit(code):
    """The standard event status bit that an error number sets."""
    return CLASSES.get(-code // 100, DEVICE)


class ErrorQueue:
    """First in, first out; when full the newest entry becomes OVERFLOW, later ones are lost until a read."""

    def __init__(self):
        self._entries = []

    def __len__(self):
        return len(self._entries)

    def push(self, code, info=""):
        """Queue an error of TEXTS with device information; returns False when it was lost to OVERFLOW."""
        if len(self._entries) < QUEUE_DEPTH:
            self._entries.append((code, info))
            return True
        self._entries[-1] = (OVERFLOW, "")
        return False

    def pop(self):
        """The oldest entry as the standard's answer: `number,"text;information"`; 0 when there is none."""
        code, info = self._entries.pop(0) if self._entries else (0, "")
        text = text_of(code)
        if info:
            text += ";" + info
        return '%d,"%s"' % (code, text[:MAX_TEXT].replace('"', "'"))

    def clear(self):
        """Forget every entry."""
        self._entries = []
