"""The lock: a classroom latch on programs, journal and settings. What it covers stands in the command tables.

It keeps a record that the host derived from a passcode, never the passcode; knowing the passcode is proved
by an exchange (spake2plus.py) in which one can be tried, but never read or checked afterwards. A passcode is
set under the key of another such exchange, in which nothing has to be known, so that a listener has nothing.
Time and random bytes come in; what takes long is done step by step, by work(). It is no safe: whoever reaches
the prompt has the files. What a locked box tells of its supply is a SlowMean.
"""

import hashlib
import struct

from boxcore import files
from boxcore import journal as jn
from boxcore.guard import PRESENT_MV
from boxcore.program import TICKS_PER_S
from boxcore.states import BoxError

NAME = "lock"
TEMPORARY = "lock.new"
HEAD = b"NDlk\x02"  # and format
SALT_BYTES = 16  # at least 128 bits (NIST SP 800-132, 5.1)
POINT_BYTES = 65
RECORD_BYTES = 32 + 3 * POINT_BYTES  # a number and three points: what spake2plus.unpack() takes
MAC_BYTES = 32
LAYOUT = "<xHI%ds%ds" % (SALT_BYTES, RECORD_BYTES)  # failed tries, cost, salt, record
SEALED = "<%dsI%ds%ds" % (SALT_BYTES, RECORD_BYTES, MAC_BYTES)  # salt, cost, record enciphered, code of all
SEALED_BYTES = struct.calcsize(SEALED)
MAX_TRIES = 0xFFFF
# RFC 9383's context and names of the two sides: an exchange for anything else never serves here.
TO_UNLOCK = (b"Nightdraw unlock, format 2", b"", b"")
TO_SET = (b"Nightdraw set, format 2", b"", b"")

# Seconds until the next try, by failed tries since the last good one, all boots together; the last value
# stands for all beyond. Slips of a finger cost next to nothing; the longest wait is what an instructor loses
# to a class that guesses, and leaves 288 tries a day: 10,000 four-digit codes take five weeks.
WAITS_S = (0, 0, 0, 5, 10, 30, 60, 120, 300)
EXCHANGE_TICKS = 60 * TICKS_PER_S  # an exchange that is not finished within a minute is forgotten

# The box's share is told this long after the host's, whatever else the box had to do: how long the arithmetic
# takes beside a run would tell how busy the run is. On the board (emulated, 96 MHz) it takes 10.5 s without a
# run and 11.7 s beside twenty edges a second, 3 s of it the arithmetic alone.
TELL_TICKS = 14 * TICKS_PER_S

# SlowMean's
SAMPLE_TICKS = TICKS_PER_S // 2
FIRST_SAMPLES = 20
SAMPLES = 1200  # 600 s
STEP_MV = 100


def wait_ticks(tries):
    """How long the next try must wait after this many failed ones."""
    return WAITS_S[min(tries, len(WAITS_S) - 1)] * TICKS_PER_S


def _pake():
    """The arithmetic, loaded when it is first wanted: most boxes never lock."""
    from boxcore import spake2plus

    return spake2plus


def _ask_point(share):
    """Raise BoxError -224 for a host's share that is no point."""
    try:
        _pake().decode(share)
    except ValueError as error:
        raise BoxError(-224, str(error)) from None


class Exchange:
    """What is under way with one host: its share, the generator at work, then the box's share and keys."""

    def __init__(self, names, prover_share, now, tell_at, steps):
        self.names = names
        self.prover_share = prover_share
        self.until = now + EXCHANGE_TICKS
        self.tell_at = tell_at
        self.steps = steps
        self.share = b""
        self.keys = None  # spake2plus.Keys


class Lock:
    """One lock in a store; `random(count)` gives that many random bytes, `note(now, kind, arg, value)`
    journals.

    locked: what is protected is out of reach; salt, cost: how the host makes its numbers from the passcode,
    b"" and 0 without one; tries: failed ones since the last good one, all boots together; damaged: what the
    store holds can't be believed, the box stays locked until the file is taken away.
    """

    def __init__(self, store, random, note):
        self.locked = self.damaged = False
        self._hold(0, 0, b"", None)
        self._store, self._random, self._note = store, random, note
        self._exchange = None
        self._boot = self._begun = self._wait_until = 0

    def _hold(self, tries, cost, salt, record):
        self.tries, self.cost, self.salt, self._record = tries, cost, salt, record

    def open(self, now, boot):
        """Load at power-up: with a passcode the box is locked. Returns True where the file is damaged.

        boot: the number of this power-up, which keeps secret numbers from coming again even where random
        bytes do."""
        self._boot = boot
        body = files.load(self._store, NAME, HEAD)
        try:
            self._store.delete(TEMPORARY)  # of a set that a power cut ended
        except OSError:
            pass
        if body is not None:
            self.locked = True
            self.damaged = len(body) != struct.calcsize(LAYOUT)
            if not self.damaged:
                self._hold(*struct.unpack(LAYOUT, body))
            self._wait_until = now + wait_ticks(self.tries)
        return self.damaged

    def _keep(self, tries, cost, salt, record):
        """Write the file whole, then go by it; raises BoxError -250."""
        files.save(self._store, NAME, HEAD, struct.pack(LAYOUT, tries, cost, salt, record))
        self._hold(tries, cost, salt, record)

    def wait_s(self, now):
        """Whole seconds until a try is taken, 0: now."""
        return max(0, -((now - self._wait_until) // TICKS_PER_S))

    def ask_open(self):
        """Raise BoxError -203 while the box is locked."""
        if self.locked:
            raise BoxError(-203, "the box is locked")

    def _ask_set(self):
        if self.damaged:
            raise BoxError(-315, "the lock's file is damaged")
        if self._record is None:
            raise BoxError(-221, "no passcode is set")

    # -- an exchange -----------------------------------------------------------------------------------

    def begin(self, now, share):
        """Begin to unlock with the host's share; an earlier exchange is over. The same share again goes on.

        A try is counted on the store before anything is computed, so that neither a power cut nor going away
        wins anything. Raises BoxError -221 (no passcode), -203 (too soon), -224 (no point), -315, -250."""
        if self._goes_on(now, share, TO_UNLOCK):
            return
        self._ask_set()
        if now < self._wait_until:
            raise BoxError(-203, "wait %d s" % self.wait_s(now))
        _ask_point(share)
        self._forget(now)
        self._keep(min(self.tries + 1, MAX_TRIES), self.cost, self.salt, self._record)
        self._wait_until = now + wait_ticks(self.tries)
        self._start(now, share, TO_UNLOCK, _pake().unpack(self._record), now + TELL_TICKS)

    def begin_set(self, now, share):
        """Begin to set a passcode with the host's share; raises BoxError -203 (locked), -224 (no point)."""
        if self._goes_on(now, share, TO_SET):
            return
        self.ask_open()
        _ask_point(share)
        self._forget(now)
        self._start(now, share, TO_SET, _pake().PUBLIC, now)

    def _goes_on(self, now, share, names):
        found = self._exchange
        return found is not None and (found.prover_share, found.names) == (share, names) and now < found.until

    def _start(self, now, share, names, record, tell_at):
        steps = _pake().verify(names, record, self._secret(now), share)
        self._exchange = Exchange(names, share, now, tell_at, steps)

    def _secret(self, now):
        """A number for one exchange. The record is in it, so that a bad random source alone tells nobody."""
        self._begun += 1
        stamp = struct.pack("<IQI", self._boot, now, self._begun) + (self._record or b"") + self._random(64)
        return _pake().scalar(hashlib.sha256(b"0" + stamp).digest() + hashlib.sha256(b"1" + stamp).digest())

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
        found = self._exchange
        if found is None or now >= found.until or not (found.steps or found.keys):
            raise BoxError(-221, "send a share first")
        return found

    def share(self, now):
        """The box's share, b"" while it is computed or not yet to be told; raises BoxError -221."""
        found = self._present(now)
        return found.share if now >= found.tell_at else b""

    def _keys(self, now, names):
        """What a finished exchange has given, told with its share; raises BoxError -221."""
        found = self._present(now)
        if found.names != names or not self.share(now):
            raise BoxError(-221, "wait for the share")
        return found.keys

    def confirmation(self, now):
        """The box's confirmation; raises BoxError -221."""
        return self._keys(now, TO_UNLOCK).verifier_confirmation

    def _forget(self, now):
        """Drop the exchange under way; one to unlock was a failed try."""
        found = self._exchange
        self._exchange = None
        if found is not None and found.names == TO_UNLOCK:
            self._note(now, jn.LATCH, jn.WRONG, self.tries)

    def unlock(self, now, confirmation):
        """Open the lock by the host's confirmation, which serves once, until lock() or the next power-up.

        Raises BoxError -221 (no exchange, or not ready), -224 (wrong), -315 (damaged)."""
        self._ask_set()
        keys = self._keys(now, TO_UNLOCK)
        if not _pake().same(confirmation, keys.prover_confirmation):
            self._wait_until = now + wait_ticks(self.tries)
            self._forget(now)
            raise BoxError(-224, "wrong passcode")
        self._exchange = None
        self._note(now, jn.LATCH, jn.UNLATCHED, self.tries - 1)
        self.locked = False
        self.tries = 0
        self._wait_until = now
        try:
            self._keep(0, self.cost, self.salt, self._record)
        except BoxError:
            pass  # it was counted as failed, that is all

    # -- settings --------------------------------------------------------------------------------------

    def lock(self, now):
        """Lock now instead of at the next power-up; raises BoxError -221 without a passcode."""
        if not self.locked:
            self._ask_set()
            self._exchange = None
            self.locked = True
            self._note(now, jn.LATCH, jn.LATCHED, self.tries)

    def set(self, now, data):
        """Take a passcode's record, sealed under the key of begin_set()'s exchange, which serves once; it
        replaces an earlier one, the box stays open until lock() or power-up.

        Raises BoxError -203 (locked), -221 (no exchange, or not ready), -224 (something came through
        changed), -250; nothing has changed then."""
        self.ask_open()
        key = self._keys(now, TO_SET).shared
        self._exchange = None
        pake = _pake()
        salt, cost, hidden, code = struct.unpack(SEALED, data)
        record = pake.ciphered(key, hidden)
        code_key = pake.hkdf(key, b"code", MAC_BYTES)
        try:
            if not pake.same(code, pake.hmac_sha256(code_key, data[:-MAC_BYTES])):
                raise ValueError
            pake.unpack(record)
        except ValueError:
            raise BoxError(-224, "it did not come through whole") from None
        self._keep(0, cost, salt, record)
        self._note(now, jn.LATCH, jn.PASSCODE_SET, 0)

    def clear(self, now):
        """Take the passcode away: the box is open from now on. Raises BoxError -203 (locked), -250."""
        self.ask_open()
        files.tried(self._store.delete, NAME)
        self._hold(0, 0, b"", None)
        self._note(now, jn.LATCH, jn.PASSCODE_GONE, 0)


class SlowMean:
    """A mean of the supply so slow and so coarse that a run can't be read from it; each reading stands until
    the next. mv: what is told, a multiple of STEP_MV.

    A load of 2 A on wires and battery of 0.1 ohm moves the supply by 0.2 V, and any reading of it within the
    pulse gives the pulse away. The mean of ten minutes of the same moves by 0.2 V * 1 s / 600 s = 0.3 mV for
    a pulse of a second, a 300th of the step of 0.1 V that is told, and a lesson of two hours has twelve of
    them. They end at whole ten minutes of the box's clock, whatever it plays. What is left is the slow way of
    a battery that is drained, which any meter shows.

    After the supply came or went, as at power-up, the first mean is of ten seconds. Nothing here allocates.
    """

    def __init__(self):
        self.mv = 0
        self._present = None
        self._last_mv = 0
        self._sample = self._end = 0  # numbers of samples since power-up: taken, and where the mean is due
        self._count = self._sum_mv = 0

    def take(self, now, supply_mv):
        """A reading at box tick `now`."""
        sample = now // SAMPLE_TICKS
        present = supply_mv >= PRESENT_MV
        if present != self._present:
            self._present = present
            self.mv = _rounded(supply_mv, 1)
            self._begin(sample, sample + FIRST_SAMPLES)
        elif sample >= self._end:
            self._add(self._end)
            self.mv = _rounded(self._sum_mv, self._count)
            block = sample - sample % SAMPLES
            if block >= self._end + SAMPLES:  # nothing was read for a whole mean and more
                self.mv = _rounded(self._last_mv, 1)
            end = block + SAMPLES
            if end - sample < SAMPLES // 2:  # behind the first mean: the second takes five minutes and more
                end += SAMPLES
            self._begin(max(self._end, block), end)
        self._add(sample)
        self._last_mv = supply_mv

    def _begin(self, sample, end):
        self._sample = sample
        self._end = end
        self._count = self._sum_mv = 0

    def _add(self, sample):
        self._count += sample - self._sample
        self._sum_mv += (sample - self._sample) * self._last_mv
        self._sample = sample


def _rounded(sum_mv, count):
    step = STEP_MV * count
    return (2 * sum_mv + step) // (2 * step) * STEP_MV
