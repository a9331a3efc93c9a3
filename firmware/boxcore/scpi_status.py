"""The status registers and the error queue of IEEE 488.2 and SCPI-1999: what sets, what reads, what clears.

Error numbers and texts are SCPI-1999's (volume 2, 21.8). What the box's conditions mean is the box's affair.
"""

QUEUE_DEPTH = 16  # entries; a line gives one error, so this is what a script may send before it must look
MAX_TEXT = 120  # characters of a text with its information, for an answer has 200 bytes (the standard: 255)
OVERFLOW = -350

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

# Bits of the status byte (488.2, 11.2; SCPI-1999 volume 1).
ERROR_QUEUE, QUESTIONABLE, MESSAGE_AVAILABLE, EVENT_SUMMARY, MASTER_SUMMARY, OPERATION = 4, 8, 16, 32, 64, 128
MAX_BYTE = 0xFF
MAX_REGISTER = 0x7FFF  # SCPI's registers have 16 bits, the highest is never used (volume 2, 20.1)


def text_of(code):
    """The standard's text for a number of TEXTS."""
    at = TEXTS.find("\n%d " % code)
    return TEXTS[TEXTS.find(" ", at) + 1 : TEXTS.find("\n", at + 1)]


def event_bit(code):
    """The standard event status bit that an error number sets."""
    return CLASSES.get(-code // 100, DEVICE)


class Register:
    """One SCPI register set: condition, event (latched when a condition bit rises), enable.

    The transition filters are fixed at what PRESet sets them to: every rise counts, no fall does.
    """

    def __init__(self):
        self.condition = 0
        self.enable = 0
        self._event = 0

    def see(self, condition):
        """Take the present condition bits."""
        condition &= MAX_REGISTER
        self.latch(condition & ~self.condition)
        self.condition = condition

    def latch(self, bits):
        """Set event bits."""
        self._event |= bits

    def take_event(self):
        """The event bits; reading clears them."""
        event = self._event
        self._event = 0
        return event

    def summary(self):
        """True while an enabled event bit is set."""
        return bool(self._event & self.enable)


class Status:
    """Every register of one instrument, and its error queue: `errors`, first in, first out, of (number of
    TEXTS, device information). standard: 488.2's register, which knows no conditions."""

    def __init__(self):
        self.errors = []
        self.operation = Register()
        self.questionable = Register()
        self.standard = Register()
        self.standard.latch(POWER_ON)
        self.service_enable = 0

    def report(self, code, info=""):
        """Queue an error and set its class's event bit; where the queue is full its newest entry becomes
        OVERFLOW, and later ones are lost until a read."""
        self.standard.latch(event_bit(code))
        if len(self.errors) < QUEUE_DEPTH:
            self.errors.append((code, info))
        else:
            self.errors[-1] = (OVERFLOW, "")
            self.standard.latch(event_bit(OVERFLOW))

    def next_error(self):
        """The oldest entry as the standard's answer: `number,"text;information"`; 0 when there is none."""
        code, info = self.errors.pop(0) if self.errors else (0, "")
        text = text_of(code) + (";" + info if info else "")
        return '%d,"%s"' % (code, text[:MAX_TEXT].replace('"', "'"))

    def clear(self):
        """*CLS: every event register and the error queue; enables and conditions stay."""
        self.errors.clear()
        for register in (self.standard, self.operation, self.questionable):
            register.take_event()

    def preset(self):
        """STATus:PRESet: SCPI's enables to 0; nothing of 488.2's changes."""
        self.operation.enable = self.questionable.enable = 0

    def byte(self, answer_waits):
        """The status byte with the master summary in bit 6."""
        value = (
            ERROR_QUEUE * bool(self.errors)
            | QUESTIONABLE * self.questionable.summary()
            | MESSAGE_AVAILABLE * answer_waits
            | EVENT_SUMMARY * self.standard.summary()
            | OPERATION * self.operation.summary()
        )
        return value | MASTER_SUMMARY * bool(value & self.service_enable)
