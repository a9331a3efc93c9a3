"""The lock: a classroom latch on programs, journal and settings. What it covers stands in the command tables.

It keeps a record that the host derived from a passcode, never the passcode; knowing the passcode is proved
by an exchange (spake2plus.py) in which one can be tried, but never read or checked afterwards. A passcode is
set under a key that box and host agree on then and there, so that a listener has nothing. Time and random
bytes come in; what takes long is done step by step, by work(). It is no safe: whoever reaches the prompt has
the files.
"""

import hashlib
import struct

from boxcore import files
from boxcore import journal as jn
from boxcore.program import TICKS_PER_S
from boxcore.states import BoxError, store_failed

NAME = "lock"
TEMPORARY = "lock.new"
MAGIC = b"NDlk"
FORMAT = 2
LAYOUT = "<4sBBHI16s227s"  # magic, format, 0, failed tries, cost, salt, record; CRC-32 of all before
SALT_BYTES = 16  # at least 128 bits (NIST SP 800-132, 5.1)
NUMBER_BYTES = 32
POINT_BYTES = 65
RECORD_BYTES = NUMBER_BYTES + 3 * POINT_BYTES  # w0, L, w0 * M, w0 * N: what the verifier of spake2plus takes
MAC_BYTES = 32
SEALED_BYTES = SALT_BYTES + 4 + RECORD_BYTES + MAC_BYTES  # salt, cost, the record enciphered, a code of all
MAX_TRIES = 0xFFFF
CONTEXT = b"Nightdraw unlock, format 2"  # RFC 9383's: an exchange for anything else never serves here

# Seconds until the next try, by failed tries since the last good one, all boots together; the last value
# stands for all beyond. Slips of a finger cost next to nothing; the longest wait is what an instructor loses
# to a class that guesses, and leaves 288 tries a day: 10,000 four-digit codes take five weeks.
WAITS_S = (0, 0, 0, 5, 10, 30, 60, 120, 300)
EXCHANGE_TICKS = 60 * TICKS_PER_S  # an exchange that is not finished within a minute is forgotten

# The box's share is told this long after the host's, whatever else the box had to do: how long the arithmetic
# takes beside a run would tell how busy the run is. On the board (emulated, 96 MHz) it takes 10.5 s without a
# run and 11.7 s beside twenty edges a second, 3 s of it the arithmetic alone.
TELL_TICKS = 14 * TICKS_PER_S


def wait_ticks(tries):
    """How long the next try must wait after this many failed ones."""
    return WAITS_S[min(tries, len(WAITS_S) - 1)] * TICKS_PER_S


def _curve():
    """The arithmetic, loaded when it is first wanted: most boxes never lock."""
    from boxcore import p256, spake2plus

    return p256, spake2plus


def ciphered(pake, key, record):
    """A record's bytes hidden under a key, or shown again."""
    return bytes([a ^ b for a, b in zip(record, pake.hkdf(key, b"cipher", RECORD_BYTES))])


def agreed(number, other_share, first, second):
    """A generator that returns the key of two sides that sent each other shares, number * BASE and
    other_share (bytes, ValueError where it is no point); first, second: host's and box's share."""
    curve, pake = _curve()
    point = yield from curve.multiply(number, curve.decode(other_share))
    point = yield from curve.affine(point)
    return pake.hkdf(curve.encode(point) + first + second, b"Nightdraw set", 32)


def unpack_record(record):
    """(w0, L, w0 * M, w0 * N) of a record's bytes; raises ValueError where one is no point."""
    curve, _ = _curve()
    ends = [NUMBER_BYTES + POINT_BYTES * k for k in range(4)]
    points = [curve.decode(record[ends[k] : ends[k + 1]]) for k in range(3)]
    return (int.from_bytes(record[:NUMBER_BYTES], "big"), points[0], points[1], points[2])


class Exchange:
    """What is under way with one host: its share, the generator at work, then the box's share and keys."""

    def __init__(self, to_set, prover_share, now, tell_at, steps):
        self.to_set = to_set
        self.prover_share = prover_share
        self.until = now + EXCHANGE_TICKS
        self.tell_at = tell_at
        self.steps = steps
        self.share = b""
        self.keys = None  # spake2plus.Keys, or the agreed key's bytes to set a passcode


class Lock:
    """One lock in a store; `random(count)` gives that many random bytes, `note(now, kind, arg, value)`
    journals.

    locked: what is protected is out of reach; is_set: a passcode is set; salt, cost: how the host makes its
    numbers from it; tries: failed ones since the last good one, all boots together; damaged: what the store
    holds can't be believed, the box stays locked until the file is taken away.
    """

    def __init__(self, store, random, note):
        self.locked = False
        self.damaged = False
        self.tries = 0
        self.salt = b""
        self.cost = 0
        self._record = None
        self._store = store
        self._random = random
        self._note = note
        self._exchange = None
        self._boot = 0
        self._begun = 0
        self._wait_until = 0

    @property
    def is_set(self):
        """True while there is a passcode, a damaged one too."""
        return self.damaged or self._record is not None

    def open(self, now, boot):
        """Load at power-up: with a passcode the box is locked. Returns True where the file is damaged.

        boot: the number of this power-up, which keeps secret numbers from coming again even where random
        bytes do."""
        self._boot = boot
        data = files.content(self._store, NAME)
        try:
            self._store.delete(TEMPORARY)  # of a set that a power cut ended
        except OSError:
            pass
        if data is not None:
            self.damaged = not self._unpack(data)
            self.locked = True
            self._wait_until = now + wait_ticks(self.tries)
        return self.damaged

    def _unpack(self, data):
        body = files.body_of(data)
        if len(body) != struct.calcsize(LAYOUT):
            return False
        magic, found, _, tries, cost, salt, record = struct.unpack(LAYOUT, body)
        if magic != MAGIC or found != FORMAT:
            return False
        self.tries, self.cost, self.salt, self._record = tries, cost, salt, record
        return True

    def _save(self, tries, cost, salt, record):
        """Write the file whole; raises BoxError -250."""
        body = struct.pack(LAYOUT, MAGIC, FORMAT, 0, tries, cost, salt, record)
        files.replace(self._store, NAME, files.sealed(body))

    def wait_s(self, now):
        """Whole seconds until a try is taken, 0: now."""
        return max(0, -((now - self._wait_until) // TICKS_PER_S))

    # -- an exchange -----------------------------------------------------------------------------------

    def begin(self, now, share):
        """Begin to unlock with the host's share; an earlier exchange is over. The same share again goes on.

        A try is counted on the store before anything is computed, so that neither a power cut nor going away
        wins anything. Raises BoxError -221 (no passcode), -203 (too soon), -224 (no point), -315, -250."""
        if self._goes_on(now, share, False):
            return
        self._ask_set()
        if now < self._wait_until:
            raise BoxError(-203, "wait %d s" % self.wait_s(now))
        _, pake = self._ask_point(share)
        self._fail(now)
        tries = min(self.tries + 1, MAX_TRIES)
        self._save(tries, self.cost, self.salt, self._record)
        self.tries = tries
        self._wait_until = now + wait_ticks(tries)
        names = pake.Names(CONTEXT, b"", b"")
        steps = pake.verify(names, unpack_record(self._record), self._secret(now), share)
        self._exchange = Exchange(False, share, now, now + TELL_TICKS, steps)

    def begin_set(self, now, share):
        """Begin to set a passcode with the host's share; raises BoxError -203 (locked), -224 (no point)."""
        if self._goes_on(now, share, True):
            return
        self._ask_open()
        self._ask_point(share)
        self._fail(now)
        self._exchange = Exchange(True, share, now, now, self._agree(self._secret(now), share))

    def _agree(self, number, prover_share):
        curve, _ = _curve()
        point = yield from curve.multiply(number, curve.BASE)
        point = yield from curve.affine(point)
        share = curve.encode(point)
        key = yield from agreed(number, prover_share, prover_share, share)
        return share, key

    def _goes_on(self, now, share, to_set):
        found = self._exchange
        return (
            found is not None and (found.prover_share, found.to_set) == (share, to_set) and now < found.until
        )

    def _ask_point(self, share):
        curve, pake = _curve()
        try:
            curve.decode(share)
        except ValueError as error:
            raise BoxError(-224, str(error)) from None
        return curve, pake

    def _secret(self, now):
        """A number for one exchange. The record is in it, so that a bad random source alone tells nobody."""
        _, pake = _curve()
        self._begun += 1
        stamp = struct.pack("<IQI", self._boot, now, self._begun) + (self._record or b"") + self._random(64)
        return pake.scalar(hashlib.sha256(b"0" + stamp).digest() + hashlib.sha256(b"1" + stamp).digest())

    def work(self):
        """One step of the arithmetic, some milliseconds on the board; True while there is more to do."""
        found = self._exchange
        if found is None or found.steps is None:
            return False
        try:
            next(found.steps)
            return True
        except StopIteration as end:
            found.share, found.keys = end.value
        except ValueError:
            pass  # a share that leaves nothing to share: never told, and its try stays counted
        found.steps = None
        return False

    def _present(self, now):
        """The exchange whose box's share may be told; raises BoxError -221."""
        found = self._exchange
        if found is None or now >= found.until or not (found.steps or found.keys):
            raise BoxError(-221, "send a share first")
        return found

    def share(self, now):
        """The box's share, b"" while it is computed or not yet to be told; raises BoxError -221."""
        found = self._present(now)
        return found.share if now >= found.tell_at else b""

    def confirmation(self, now):
        """The box's confirmation, told with its share; raises BoxError -221."""
        found = self._present(now)
        if found.to_set or not self.share(now):
            raise BoxError(-221, "wait for the share")
        return found.keys.verifier_confirmation

    def _take(self, now, to_set):
        """The finished exchange, which serves once; raises BoxError -221."""
        found = self._present(now)
        if found.to_set != to_set or not self.share(now):
            raise BoxError(-221, "wait for the share")
        self._exchange = None
        return found

    def _fail(self, now):
        """Forget the exchange under way; one to unlock was a failed try."""
        found = self._exchange
        self._exchange = None
        if found is not None and not found.to_set:
            self._note(now, jn.LATCH, jn.WRONG, self.tries)

    def unlock(self, now, confirmation):
        """Open the lock by the host's confirmation, until lock() or the next power-up.

        Raises BoxError -221 (no exchange, or not ready), -224 (wrong), -315 (damaged)."""
        self._ask_set()
        found = self._take(now, False)
        _, pake = _curve()
        if not pake.same(confirmation, found.keys.prover_confirmation):
            self._wait_until = now + wait_ticks(self.tries)
            self._note(now, jn.LATCH, jn.WRONG, self.tries)
            raise BoxError(-224, "wrong passcode")
        self._note(now, jn.LATCH, jn.UNLATCHED, self.tries - 1)
        self.locked = False
        self.tries = 0
        self._wait_until = now
        try:
            self._save(0, self.cost, self.salt, self._record)
        except BoxError:
            pass  # it was counted as failed, that is all

    def _ask_set(self):
        if self.damaged:
            raise BoxError(-315, "the lock's file is damaged")
        if self._record is None:
            raise BoxError(-221, "no passcode is set")

    # -- settings --------------------------------------------------------------------------------------

    def lock(self, now):
        """Lock now instead of at the next power-up; raises BoxError -221 without a passcode."""
        if not self.is_set:
            raise BoxError(-221, "no passcode is set")
        if not self.locked:
            self._exchange = None
            self.locked = True
            self._note(now, jn.LATCH, jn.LATCHED, self.tries)

    def _ask_open(self):
        if self.locked:
            raise BoxError(-203, "the box is locked")

    def set(self, now, data):
        """Take a passcode's record, sealed under the key of begin_set()'s exchange; it replaces an earlier
        one, the box stays open until lock() or power-up.

        Raises BoxError -203 (locked), -221 (no exchange, or not ready), -224 (something came through
        changed), -250; nothing has changed then."""
        self._ask_open()
        key = self._take(now, True).keys
        _, pake = _curve()
        code = pake.hmac_sha256(pake.hkdf(key, b"code", MAC_BYTES), data[:-MAC_BYTES])
        salt, hidden = data[:SALT_BYTES], data[SALT_BYTES + 4 : -MAC_BYTES]
        record = ciphered(pake, key, hidden)
        try:
            if len(data) != SEALED_BYTES or not pake.same(code, data[-MAC_BYTES:]):
                raise ValueError
            unpack_record(record)
        except ValueError:
            raise BoxError(-224, "it did not come through whole") from None
        cost = struct.unpack("<I", data[SALT_BYTES : SALT_BYTES + 4])[0]
        self._save(0, cost, salt, record)
        self.salt, self.cost, self._record = salt, cost, record
        self.tries = 0
        self._note(now, jn.LATCH, jn.PASSCODE_SET, 0)

    def clear(self, now):
        """Take the passcode away: the box is open from now on. Raises BoxError -203 (locked), -250."""
        self._ask_open()
        try:
            self._store.delete(NAME)
        except OSError as error:
            raise store_failed(error) from None
        self.salt, self.cost, self._record = b"", 0, None
        self.tries = 0
        self._note(now, jn.LATCH, jn.PASSCODE_GONE, 0)
