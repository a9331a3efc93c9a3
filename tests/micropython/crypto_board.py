"""The board's own arithmetic of keys, as a script under MicroPython.

crypto_board.py FILE: a line of the file is a word and numbers in hexadecimal digits; prints an answer a line:
    sha MESSAGE; hmac KEY MESSAGE; hkdf SECRET INFO; multiple NUMBER (of the base point);
    verify W0 L X-SHARE Y: the box's share, both confirmations and the shared key of an exchange
"""

import binascii
import hashlib
import sys

from boxcore import spake2plus
from nightdraw.exchange import finish

CONTEXT = b"SPAKE2+-P256-SHA256-HKDF-SHA256-HMAC-SHA256 Test Vectors"  # RFC 9383, appendix C
NAMES = (CONTEXT, b"client", b"server")


def multiple(number, point):
    """number * point, affine."""
    return finish(spake2plus.affine(finish(spake2plus.multiply(number, point))))


def number(data):
    """The number in some bytes."""
    return int.from_bytes(data, "big")


def verify(w0, l, share, y):  # noqa: E741 - RFC 9383's names
    """The verifier's answers, one after the other."""
    w0 = number(w0)
    record = w0, spake2plus.decode(l), multiple(w0, spake2plus.M), multiple(w0, spake2plus.N)
    own, keys = finish(spake2plus.verify(NAMES, record, number(y), share))
    return own + keys.prover_confirmation + keys.verifier_confirmation + keys.shared


DOES = {
    "sha": lambda message=b"": hashlib.sha256(message).digest(),
    "hmac": spake2plus.hmac_sha256,
    "hkdf": lambda secret, info: spake2plus.hkdf(secret, info, 42),
    "multiple": lambda k: spake2plus.encode(multiple(number(k), spake2plus.BASE)),
    "verify": verify,
}


def answer(line):
    """The digits for one line."""
    word, *given = line.split()
    return binascii.hexlify(DOES[word](*[binascii.unhexlify(one) for one in given])).decode()


if __name__ == "__main__":
    with open(sys.argv[1]) as file:
        for asked in file:
            print(answer(asked))
