"""SPAKE2+ (RFC 9383) with P256-SHA256-HKDF-SHA256-HMAC-SHA256: two sides show that they know one passcode.

Theory of operation. The prover (the host) makes two numbers of the passcode, w0 and w1. The verifier (the
box) keeps w0 and the point L = w1 * BASE, by which nobody can act as the prover. Each sends a share, its own
random multiple of BASE hidden by w0 times a fixed point of which nobody knows the logarithm; both then arrive
at the same two points Z and V if, and only if, w0 and w1 are the same. A digest of all that was said and of
these points gives the keys of two confirmations. Whoever listens has shares, uniformly random points whatever
the passcode is, and confirmations under keys that take a discrete logarithm to find: a guess can be checked
against nothing. Whoever takes part can check one guess an exchange.

Steps that take long are generators (see p256.py). Nothing here is random, stored or sent. The prover's steps
are the host's: nightdraw.exchange.
"""

import hashlib

from boxcore import p256

# RFC 9383, section 4: points for P-256, there in compressed form
M = (
    0x886E2F97ACE46E55BA9DD7242579F2993B64E16EF3DCAB95AFD497333D8FA12F,
    0x5FF355163E43CE224E0B0E65FF02AC8E5C7BE09419C785E0CA547D55A12E2D20,
    1,
)
N = (
    0xD8BBD6C639C62937B04D997F38C3770719C629D7014D49A24B4F98BAA1292B49,
    0x07D60AA6BFADE45008A636337F5168C64D9BD36034808CD564490B1E656EDBE7,
    1,
)
CONFIRMATION_BYTES = 32
BLOCK_BYTES = 64  # of SHA-256 (FIPS 180-4)
# What a verifier holds of a passcode that everybody knows, w0 = 0 and w1 = 1. Shares are plain multiples of
# BASE then, and the keys a secret of the two that take part, as Diffie and Hellman have it.
PUBLIC = (0, p256.BASE, p256.INFINITY, p256.INFINITY)


def hmac_sha256(key, message):
    """HMAC-SHA-256 (RFC 2104), which the board's Python lacks: 32 bytes."""
    if len(key) > BLOCK_BYTES:
        key = hashlib.sha256(key).digest()
    key += bytes(BLOCK_BYTES - len(key))
    inner = hashlib.sha256(bytes([byte ^ 0x36 for byte in key]) + message).digest()
    return hashlib.sha256(bytes([byte ^ 0x5C for byte in key]) + inner).digest()


def hkdf(secret, info, size):
    """HKDF-SHA-256 (RFC 5869) without a salt: `size` bytes, at most 255 * 32."""
    key = hmac_sha256(bytes(32), secret)
    found = block = b""
    while len(found) < size:
        block = hmac_sha256(key, block + info + bytes((len(found) // 32 + 1,)))
        found += block
    return found[:size]


def same(one, other):
    """Compare two byte strings in a time that tells nothing of where they differ."""
    difference = len(one) ^ len(other)
    for a, b in zip(one, other):
        difference |= a ^ b
    return difference == 0


def scalar(wide):
    """A number for the group, 1 .. order - 1 but for odds of 2^-256, from 40 or more uniform bytes."""
    return int.from_bytes(wide, "big") % p256.ORDER


def number_bytes(number):
    """The 32 bytes of a number."""
    return number.to_bytes(p256.NUMBER_BYTES, "big")


class Keys:
    """What an exchange gives: the two confirmations, and a key that both sides share.

    names: the application's context, the prover's and the verifier's name, bytes."""

    def __init__(self, names, prover_share, verifier_share, z, v, w0):
        digest = hashlib.sha256()
        points = [p256.encode(point) for point in (M, N, z, v)]
        said = (points[0], points[1], prover_share, verifier_share, points[2], points[3], number_bytes(w0))
        for part in names + said:
            digest.update(len(part).to_bytes(8, "little"))
            digest.update(part)
        main = digest.digest()
        keys = hkdf(main, b"ConfirmationKeys", 2 * CONFIRMATION_BYTES)
        self.prover_confirmation = hmac_sha256(keys[:CONFIRMATION_BYTES], verifier_share)
        self.verifier_confirmation = hmac_sha256(keys[CONFIRMATION_BYTES:], prover_share)
        self.shared = hkdf(main, b"SharedKey", 32)


def hidden(number, mask):
    """A generator that returns a share: the bytes of number * BASE + mask, which is w0 * M or w0 * N."""
    point = yield from p256.multiply(number, p256.BASE)
    point = yield from p256.affine(p256.add(point, mask))
    return p256.encode(point)


def unpack(record):
    """(w0, L, w0 * M, w0 * N) of the bytes that a verifier keeps; raises ValueError where one is no point."""
    ends = [p256.NUMBER_BYTES + p256.POINT_BYTES * k for k in range(4)]
    points = [p256.decode(record[ends[k] : ends[k + 1]]) for k in range(3)]
    return (int.from_bytes(record[: ends[0]], "big"), points[0], points[1], points[2])


def ciphered(key, record):
    """A record's bytes hidden under a key, or shown again."""
    return bytes([a ^ b for a, b in zip(record, hkdf(key, b"cipher", len(record)))])


def verify(names, record, y, prover_share):
    """The verifier's side, a generator that returns (its share, Keys).

    record: what unpack() returns, or PUBLIC; y: a random number that serves once; prover_share:
    bytes. Raises ValueError for a share that is no point, or that leaves the point at infinity."""
    w0, l, w0_m, w0_n = record  # noqa: E741 - RFC 9383's names
    x = p256.add(p256.decode(prover_share), p256.negative(w0_m))
    share = yield from hidden(y, w0_n)
    z = yield from p256.multiply(y, x)
    z = yield from p256.affine(z)
    v = yield from p256.multiply(y, l)
    v = yield from p256.affine(v)
    return share, Keys(names, prover_share, share, z, v, w0)
