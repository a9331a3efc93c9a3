"""The host's side of the lock for tests under both Pythons: a passcode's numbers, shares, confirmations.

Nothing is random: the numbers of an exchange are given.
"""

import hashlib
import struct

from boxcore import lock, spake2plus
from nightdraw import exchange

SALT = bytes(range(16))
COST = 4096


def multiple(number, point):
    """number * point with z = 1."""
    return exchange.finish(spake2plus.affine(exchange.finish(spake2plus.multiply(number, point))))


class Host:
    """One that knows w0 and w1."""

    def __init__(self, w0, w1):
        self.w0 = w0
        self.w1 = w1
        self.w0_m = multiple(w0, spake2plus.M)
        self.w0_n = multiple(w0, spake2plus.N)
        points = (multiple(w1, spake2plus.BASE), self.w0_m, self.w0_n)
        self.record = spake2plus.number_bytes(w0) + b"".join([spake2plus.encode(point) for point in points])

    def share(self, x):
        """Its share of an exchange."""
        return exchange.finish(spake2plus.hidden(x, self.w0_m))

    def keys(self, x, box_share):
        """What the exchange gives."""
        steps = exchange.prove(lock.TO_UNLOCK, self.w0, self.w1, x, box_share, self.w0_m, self.w0_n)
        return exchange.finish(steps)


def work(box_lock):
    """Let a lock do all its arithmetic."""
    while box_lock.work():
        pass


def give(box_lock, host, now=0, salt=SALT, number=0x1234567):
    """Set a host's passcode."""
    share = spake2plus.encode(multiple(number, spake2plus.BASE))
    box_lock.begin_set(now, share)
    work(box_lock)
    box_share = box_lock.share(now)
    key = exchange.finish(exchange.agree(number, box_share))
    box_lock.set(now, exchange.encrypted_record(key, salt, COST, host.record))


def try_host(box_lock, host, now, x=0x7654321):
    """Begin to unlock, wait until the share is told, confirm; returns the tick then."""
    box_lock.begin(now, host.share(x))
    work(box_lock)
    now += lock.TELL_TICKS
    keys = host.keys(x, box_lock.share(now))
    box_lock.unlock(now, keys.prover_confirmation)
    return now


def box_number(record, now, begun, boot=1, random=b"\x5a" * 64):
    """The secret number of a box for one exchange, written out anew from what it is made of."""
    stamp = struct.pack("<IQI", boot, now, begun) + record + random
    wide = hashlib.sha256(b"0" + stamp).digest() + hashlib.sha256(b"1" + stamp).digest()
    return int.from_bytes(wide, "big") % spake2plus.ORDER
