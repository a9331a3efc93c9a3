"""The status registers of IEEE 488.2 and SCPI-1999: what sets a bit, what reads it, what clears it.

It holds bits; what the box's conditions mean is the box's affair.
"""

from boxcore import scpi_errors as errors

# Bits of the status byte (488.2, 11.2; SCPI-1999 volume 1).
ERROR_QUEUE, QUESTIONABLE, MESSAGE_AVAILABLE, EVENT_SUMMARY, MASTER_SUMMARY, OPERATION = 4, 8, 16, 32, 64, 128
MAX_BYTE = 0xFF
MAX_REGISTER = 0x7FFF  # SCPI's registers have 16 bits, the highest is never used (volume 2, 20.1)


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
    """Every register of one instrument, and its error queue. standard: 488.2's, which knows no conditions."""

    def __init__(self):
        self.errors = errors.ErrorQueue()
        self.operation = Register()
        self.questionable = Register()
        self.standard = Register()
        self.standard.latch(errors.POWER_ON)
        self.service_enable = 0

    def report(self, code, info=""):
        """Queue an error and set its class's event bit, even when the queue is full."""
        self.standard.latch(errors.event_bit(code))
        if not self.errors.push(code, info):
            self.standard.latch(errors.event_bit(errors.OVERFLOW))

    def complete(self):
        """*OPC with nothing pending."""
        self.standard.latch(errors.OPERATION_COMPLETE)

    def clear(self):
        """*CLS: every event register and the error queue; enables and conditions stay."""
        self.errors.clear()
        for register in (self.standard, self.operation, self.questionable):
            register.take_event()

    def restart(self):
        """For another host: no event, no error, nothing enabled."""
        self.clear()
        self.preset()
        self.standard.enable = self.service_enable = 0

    def preset(self):
        """STATus:PRESet: SCPI's enables to 0; nothing of 488.2's changes."""
        self.operation.enable = 0
        self.questionable.enable = 0

    def byte(self, answer_waits):
        """The status byte with the master summary in bit 6."""
        value = (
            (ERROR_QUEUE if len(self.errors) else 0)
            | (QUESTIONABLE if self.questionable.summary() else 0)
            | (MESSAGE_AVAILABLE if answer_waits else 0)
            | (EVENT_SUMMARY if self.standard.summary() else 0)
            | (OPERATION if self.operation.summary() else 0)
        )
        return value | (MASTER_SUMMARY if value & self.service_enable else 0)
