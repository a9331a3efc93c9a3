"""SPAKE2+ (RFC 9383) with P256-SHA256-HKDF-SHA256-HMAC-SHA256: two sides show that they know one passcode.

Theory of operation. The prover (the host) makes two numbers of the passcode, w0 and w1. The verifier (the
box) keeps w0 and the point L = w1 * BASE, by which nobody can act as the prover. Each sends a share, its own
random multiple of BASE hidden by w0 times a fixed point of which nobody knows the logarithm; both then arrive
at the same two points Z and V if, and only if, w0 and w1 are the same. A digest of all that was said and of
these points gives the keys of two confirmations. Whoever listens has shares, uniformly random points whatever
the passcode is, and confirmations under keys that take a discrete logarithm to find: a guess can be checked
against nothing. Whoever takes part can check one guess an exchange.

The curve P-256 is y^2 = x^3 - 3x + B over the integers modulo P (SEC 2, 2.4.2; FIPS 186-4, D.1.2.3); its
points form a group of prime order ORDER, so that every point on it but the point at infinity serves (the
cofactor is 1). A point is (x, y, z) in Jacobian coordinates, which stand for x / z^2, y / z^3 and need no
division until the end; z = 0 is the point at infinity. A multiple is made four bits at a time: four doublings
and an addition from a table of the first fifteen multiples. Doubling and addition are those of the
explicit-formulas database for a = -3 (dbl-2001-b, add-2007-bl), from memory: the tests hold them against
published multiples.

Nothing here is random, stored, sent, waits or is timed. What takes long is a generator that yields after each
step of 1 to 5 ms on the board (measured at 96 MHz), some 330 steps a multiple; whoever drives it does other
work between. How long a step takes depends on the number a little, so only numbers that serve once may be
given to multiply() where somebody could measure it. The prover's steps are the host's: nightdraw.exchange.
"""

import hashlib

P = 0xFFFFFFFF00000001000000000000000000000000FFFFFFFFFFFFFFFFFFFFFFFF
ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551
B = 0x5AC635D8AA3A93E7B3EBBD55769886BC651D06B0CC53B0F63BCE3C3E27D2604B
BASE = (
    0x6B17D1F2E12C4247F8BCE6E563A440F277037D812DEB33A0F4A13945D898C296,
    0x4FE342E2FE1A7F9B8EE7EB4A7C0F9E162BCE33576B315ECECBB6406837BF51F5,
    1,
)
INFINITY = (1, 1, 0)
NUMBER_BYTES = 32
POINT_BYTES = 65  # 4, x, y: SEC 1, 2.3.3, uncompressed

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
PUBLIC = (0, BASE, INFINITY, INFINITY)


def number_bytes(number):
    """The 32 bytes of a number."""
    return number.to_bytes(NUMBER_BYTES, "big")


def encode(point):
    """The 65 bytes of a point that affine() made."""
    x, y, _ = point
    return b"\x04" + number_bytes(x) + number_bytes(y)


def decode(data):
    """The point in 65 bytes; raises ValueError for anything that is no point of the curve, infinity too."""
    data = bytes(data)
    if len(data) != POINT_BYTES or data[0] != 4:
        raise ValueError("not an uncompressed point")
    x = int.from_bytes(data[1 : 1 + NUMBER_BYTES], "big")
    y = int.from_bytes(data[1 + NUMBER_BYTES :], "big")
    if x >= P or y >= P or (y * y - (x * x - 3) * x - B) % P:
        raise ValueError("not on the curve")
    return x, y, 1


def negative(point):
    """The point that adds up with this one to infinity."""
    x, y, z = point
    return x, (P - y) % P, z


def double(point):
    """Twice a point."""
    x, y, z = point
    delta = z * z % P
    gamma = y * y % P
    beta = x * gamma % P
    alpha = 3 * (x - delta) * (x + delta) % P
    x = (alpha * alpha - 8 * beta) % P
    return x, (alpha * (4 * beta - x) - 8 * gamma * gamma) % P, 2 * y * z % P


def add(one, other):
    """The sum of two points, alike or at infinity too."""
    x1, y1, z1 = one
    x2, y2, z2 = other
    if not z1:
        return other
    if not z2:
        return one
    z1z1 = z1 * z1 % P
    z2z2 = z2 * z2 % P
    u1 = x1 * z2z2 % P
    s1 = y1 * z2 * z2z2 % P
    h = (x2 * z1z1 - u1) % P
    r = (y2 * z1 * z1z1 - s1) % P
    if not h:
        return INFINITY if r else double(one)
    hh = h * h % P
    hhh = h * hh % P
    v = u1 * hh % P
    x = (r * r - hhh - 2 * v) % P
    return x, (r * (v - x) - s1 * hhh) % P, z1 * z2 * h % P


def _digits(number):
    return [int(digit, 16) for digit in "%064x" % number]


def multiply(number, point):
    """A generator that returns `number` (0 to 2^256 - 1) times a point."""
    table = [INFINITY, point]
    while len(table) < 16:
        table.append(add(table[-1], point))
        yield
    found = INFINITY
    for digit in _digits(number):
        for _ in range(4):
            found = double(found)
            yield
        found = add(found, table[digit])
        yield
    return found


def affine(point):
    """A generator that returns the same point with z = 1; raises ValueError for the point at infinity."""
    x, y, z = point
    if not z:
        raise ValueError("the point at infinity")
    inverse = 1  # z^(P - 2), by Fermat's little theorem
    for digit in _digits(P - 2):
        inverse = pow(inverse, 16, P) * pow(z, digit, P) % P
        yield
    square = inverse * inverse % P
    return x * square % P, y * square * inverse % P, 1


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
    return int.from_bytes(wide, "big") % ORDER


class Keys:
    """What an exchange gives: the two confirmations, and a key that both sides share.

    names: the application's context, the prover's and the verifier's name, bytes."""

    def __init__(self, names, prover_share, verifier_share, z, v, w0):
        digest = hashlib.sha256()
        parts = (encode(M), encode(N), prover_share, verifier_share, encode(z), encode(v), number_bytes(w0))
        for part in names + parts:
            digest.update(len(part).to_bytes(8, "little"))
            digest.update(part)
        main = digest.digest()
        keys = hkdf(main, b"ConfirmationKeys", 2 * CONFIRMATION_BYTES)
        self.prover_confirmation = hmac_sha256(keys[:CONFIRMATION_BYTES], verifier_share)
        self.verifier_confirmation = hmac_sha256(keys[CONFIRMATION_BYTES:], prover_share)
        self.shared = hkdf(main, b"SharedKey", 32)


def hidden(number, mask):
    """A generator that returns a share: the bytes of number * BASE + mask, which is w0 * M or w0 * N."""
    point = yield from multiply(number, BASE)
    point = yield from affine(add(point, mask))
    return encode(point)


def unpack(record):
    """(w0, L, w0 * M, w0 * N) of the bytes that a verifier keeps; raises ValueError where one is no point."""
    ends = [NUMBER_BYTES + POINT_BYTES * k for k in range(4)]
    points = [decode(record[ends[k] : ends[k + 1]]) for k in range(3)]
    return (int.from_bytes(record[: ends[0]], "big"), points[0], points[1], points[2])


def ciphered(key, record):
    """A record's bytes hidden under a key, or shown again."""
    return bytes([a ^ b for a, b in zip(record, hkdf(key, b"cipher", len(record)))])


def verify(names, record, y, prover_share):
    """The verifier's side, a generator that returns (its share, Keys).

    record: what unpack() returns, or PUBLIC; y: a random number that serves once; prover_share:
    bytes. Raises ValueError for a share that is no point, or that leaves the point at infinity."""
    w0, l, w0_m, w0_n = record  # noqa: E741 - RFC 9383's names
    x = add(decode(prover_share), negative(w0_m))
    share = yield from hidden(y, w0_n)
    z = yield from multiply(y, x)
    z = yield from affine(z)
    v = yield from multiply(y, l)
    v = yield from affine(v)
    return share, Keys(names, prover_share, share, z, v, w0)
