"""The board's own arithmetic of keys, as a script under MicroPython.

crypto_board.py FILE: a line of the file is a key and a message in hexadecimal digits, `-` in place of a key
for none; prints HMAC-SHA-256, or SHA-256 without a key, a line for each.
"""

import binascii
import hashlib
import sys

from boxcore import lock


def answer(key, message):
    """The digits for one line."""
    if key == "-":
        found = hashlib.sha256(message).digest()
    else:
        found = lock.hmac_sha256(binascii.unhexlify(key), message)
    return binascii.hexlify(found).decode()


if __name__ == "__main__":
    with open(sys.argv[1]) as file:
        for line in file:
            one, _, other = line.rstrip().partition(" ")
            print(answer(one, binascii.unhexlify(other)))
