"""The lock: a classroom latch on programs, journal and settings. What it covers stands in the command tables.

It keeps a key that the host derived from a passcode, never the passcode; knowing the key is proved by
answering a challenge that no other answer fits. Time and random bytes come in. It is no safe: whoever reaches
the prompt has the files.
"""

import binascii
import hashlib
import struct

from boxcore.program import TICKS_PER_S
from boxcore.states import BoxError

NAME = "lock"
TEMPORARY = "lock.new"
MAGIC = b"NDlk"
FORMAT = 1
LAYOUT = "<4sBBHI16s32s"  # magic, format, 0, failed tries, rounds, salt, key; CRC-32 of all before
SALT_BYTES = 16  # at least 128 bits (NIST SP 800-132, 5.1)
KEY_BYTES = 32  # HMAC-SHA-256's own length
CHALLENGE_BYTES = 16
MAX_ROUNDS = 0xFFFFFFFF
MAX_TRIES = 0xFFFF

# Seconds until the next try, by failed tries since the last good one, all boots together; the last value
# stands for all beyond. Slips of a finger cost next to nothing; the longest wait is what an instructor loses
# to a class that guesses, and leaves 288 tries a day: 10,000 four-digit codes take five weeks.
WAITS_S = (0, 0, 0, 5, 10, 30, 60, 120, 300)
CHALLENGE_TICKS = 60 * TICKS_PER_S  # a challenge that was not answered within a minute is forgotten

# What an answer is for: the answer to one request never serves the other.
TO_UNLOCK = b"unlock"
TO_SET = b"set"

BLOCK_BYTES = 64  # of SHA-256 (FIPS 180-4)


def hmac_sha256(key, message):
    """HMAC-SHA-256 (RFC 2104), which the board's Python lacks: 32 bytes."""
    if len(key) > BLOCK_BYTES:
        key = hashlib.sha256(key).digest()
    key = key + bytes(BLOCK_BYTES - len(key))
    inner = hashlib.sha256(bytes([byte ^ 0x36 for byte in key]))
    inner.update(message)
    outer = hashlib.sha256(bytes([byte ^ 0x5C for byte in key]))
    outer.update(inner.digest())
    return outer.digest()


def unlock_answer(key, challenge):
    """The answer that unlocks."""
    return hmac_sha256(key, TO_UNLOCK + challenge)


def set_answer(key, challenge, salt, rounds):
    """The answer that goes with a new key: it also tells that key, salt and rounds came through whole."""
    return hmac_sha256(key, TO_SET + challenge + salt + struct.pack("<I", rounds))


def same(one, other):
    """Compare two byte strings in a time that tells nothing of where they differ."""
    difference = len(one) ^ len(other)
    for a, b in zip(one, other):
        difference |= a ^ b
    return difference == 0


def wait_ticks(tries):
    """How long the next try must wait after this many failed ones."""
    return WAITS_S[min(tries, len(WAITS_S) - 1)] * TICKS_PER_S


class Lock:
    """One lock in a store; `random(count)` gives that many random bytes.

    locked: what is protected is out of reach; is_set: a passcode is set; salt, rounds: how the host made the
    key from it; tries: failed ones since the last good one, all boots together; damaged: what the store holds
    can't be believed, the box stays locked until the file is taken away.
    """

    def __init__(self, store, random):
        self.locked = False
        self.damaged = False
        self.tries = 0
        self.salt = b""
        self.rounds = 0
        self._key = None
        self._store = store
        self._random = random
        self._challenge = None
        self._challenge_until = 0
        self._asked = 0
        self._wait_until = 0

    @property
    def is_set(self):
        """True while there is a passcode, a damaged one too."""
        return self.damaged or self._key is not None

    def open(self, now):
        """Load at power-up: with a passcode the box is locked. Returns True where the file is damaged."""
        try:
            data = self._store.read(NAME)
        except OSError:
            data = b""
        try:
            self._store.delete(TEMPORARY)  # of a set that a power cut ended; it holds a key
        except OSError:
            pass
        if data is not None:
            self.damaged = not self._unpack(data)
            self.locked = True
            self._wait_until = now + wait_ticks(self.tries)
        return self.damaged

    def _unpack(self, data):
        size = struct.calcsize(LAYOUT)
        if len(data) != size + 4 or binascii.crc32(data[:size]) != struct.unpack("<I", data[size:])[0]:
            return False
        magic, found, _, tries, rounds, salt, key = struct.unpack(LAYOUT, data[:size])
        if magic != MAGIC or found != FORMAT:
            return False
        self.tries, self.rounds, self.salt, self._key = tries, rounds, salt, key
        return True

    def _save(self, tries, rounds, salt, key):
        """Write the file whole; raises BoxError -250."""
        body = struct.pack(LAYOUT, MAGIC, FORMAT, 0, tries, rounds, salt, key)
        try:
            self._store.write(TEMPORARY, body + struct.pack("<I", binascii.crc32(body)))
            self._store.sync()
            self._store.rename(TEMPORARY, NAME)
        except OSError as error:
            raise BoxError(-250, "the store failed: %s" % error) from None

    def wait_s(self, now):
        """Whole seconds until a try is taken, 0: now."""
        return max(0, -((now - self._wait_until) // TICKS_PER_S))

    def challenge(self, now, boot):
        """New bytes to be answered; an earlier challenge is forgotten. `boot`, the number of this power-up,
        keeps them from coming again even where the random bytes do."""
        self._asked += 1
        stamp = struct.pack("<IQI", boot, now, self._asked)
        self._challenge = hashlib.sha256(self._random(KEY_BYTES) + stamp).digest()[:CHALLENGE_BYTES]
        self._challenge_until = now + CHALLENGE_TICKS
        return self._challenge

    def _take_challenge(self, now):
        """The challenge, which serves once."""
        challenge = self._challenge
        self._challenge = None
        if challenge is None or now >= self._challenge_until:
            raise BoxError(-221, "ask for a challenge first")
        return challenge

    def _ask_set(self):
        if self.damaged:
            raise BoxError(-315, "the lock's file is damaged")
        if self._key is None:
            raise BoxError(-221, "no passcode is set")

    def unlock(self, now, answer):
        """Open the lock by the answer to the last challenge.

        A try is counted on the store before it is looked at, so that a power cut wins nothing. Raises
        BoxError -221 (no passcode, no challenge), -203 (too soon), -224 (wrong), -315 (damaged), -250."""
        self._ask_set()
        if now < self._wait_until:
            raise BoxError(-203, "wait %d s" % self.wait_s(now))
        challenge = self._take_challenge(now)
        tries = min(self.tries + 1, MAX_TRIES)
        self._save(tries, self.rounds, self.salt, self._key)
        self.tries = tries
        if not same(answer, unlock_answer(self._key, challenge)):
            self._wait_until = now + wait_ticks(tries)
            raise BoxError(-224, "wrong passcode")
        self.locked = False
        self.tries = 0
        try:
            self._save(0, self.rounds, self.salt, self._key)
        except BoxError:
            pass  # it was counted as failed, that is all

    def lock(self):
        """Lock now instead of at the next power-up; raises BoxError -221 without a passcode."""
        if not self.is_set:
            raise BoxError(-221, "no passcode is set")
        self.locked = True
        self._challenge = None

    def _ask_open(self):
        if self.locked:
            raise BoxError(-203, "the box is locked")

    def set(self, now, salt, key, rounds, answer):
        """Take a passcode's key, which replaces an earlier one; the box stays open until lock() or power-up.

        Raises BoxError -203 (locked), -221 (no challenge), -224 (the answer doesn't fit: something came
        through changed), -250; nothing has changed then."""
        self._ask_open()
        challenge = self._take_challenge(now)
        if not same(answer, set_answer(key, challenge, salt, rounds)):
            raise BoxError(-224, "key and answer don't fit")
        self._save(0, rounds, salt, key)
        self.salt, self.rounds, self._key = salt, rounds, key
        self.tries = 0

    def clear(self):
        """Take the passcode away: the box is open from now on. Raises BoxError -203 (locked), -250."""
        self._ask_open()
        try:
            self._store.delete(NAME)
        except OSError as error:
            raise BoxError(-250, "the store failed: %s" % error) from None
        self.salt, self.rounds, self._key = b"", 0, None
        self.tries = 0
