"""The elliptic curve P-256 in whole numbers, in small steps: for the lock's exchange, nothing else.

Theory of operation. The curve is y^2 = x^3 - 3x + B over the integers modulo P (SEC 2, 2.4.2; FIPS 186-4,
D.1.2.3); its points form a group of prime order ORDER, so that every point on it but the point at infinity
serves (the cofactor is 1). A point is (x, y, z) in Jacobian coordinates, which stand for x / z^2, y / z^3 and
need no division until the end; z = 0 is the point at infinity. A multiple is made four bits at a time: four
doublings and an addition from a table of the first fifteen multiples. Doubling and addition are those of the
explicit-formulas database for a = -3 (dbl-2001-b, add-2007-bl), from memory: the tests hold them against
published multiples.

Nothing here waits or is timed. What takes long is a generator that yields after each step of 1 to 5 ms on the
board (measured at 96 MHz), some 330 steps a multiple; whoever drives it does other work between. How long a
step takes depends on the number a little, so only numbers that serve once may be given to multiply() where
somebody could measure it.
"""

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


def encode(point):
    """The 65 bytes of a point that affine() made."""
    x, y, _ = point
    return b"\x04" + x.to_bytes(NUMBER_BYTES, "big") + y.to_bytes(NUMBER_BYTES, "big")


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
