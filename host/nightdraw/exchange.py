"""The host's steps of the lock's exchanges: the prover's of SPAKE2+, and what sets a passcode.

See boxcore.spake2plus and boxcore.lock. Runs under MicroPython too, where tests compare the two Pythons:
hence no __future__.
"""

import struct

from boxcore import lock, spake2plus

TYPE_CHECKING = False  # for mypy alone: MicroPython has no such module
if TYPE_CHECKING:
    from collections.abc import Generator
    from typing import TypeVar

    Result = TypeVar("Result")
    Point = tuple[int, int, int]


def prove(
    names: tuple[bytes, bytes, bytes],
    w0: int,
    w1: int,
    x: int,
    verifier_share: bytes,
    w0_m: "Point",
    w0_n: "Point",
) -> "Generator[None, None, spake2plus.Keys]":
    """The prover's side, a generator that returns Keys; its own share is spake2plus.hidden(x, w0_m).

    Raises ValueError for a share that is no point, or that leaves the point at infinity."""
    share = yield from spake2plus.hidden(x, w0_m)
    y = spake2plus.add(spake2plus.decode(verifier_share), spake2plus.negative(w0_n))
    z = yield from spake2plus.multiply(x, y)
    z = yield from spake2plus.affine(z)
    v = yield from spake2plus.multiply(w1, y)
    v = yield from spake2plus.affine(v)
    return spake2plus.Keys(names, share, verifier_share, z, v, w0)


def agree(x: int, verifier_share: bytes) -> "Generator[None, None, bytes]":
    """The key of an exchange lock.TO_SET, a generator; x: the secret number of the host's share."""
    keys = yield from prove(lock.TO_SET, 0, 1, x, verifier_share, spake2plus.INFINITY, spake2plus.INFINITY)
    shared: bytes = keys.shared
    return shared


def finish(steps: "Generator[None, None, Result]") -> "Result":
    """Drive a generator to its end at once; returns what it returns."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            result: Result = end.value
            return result


def encrypted_record(key: bytes, salt: bytes, cost: int, record: bytes) -> bytes:
    """The bytes that set a passcode, under the key that an exchange lock.TO_SET has given both sides."""
    head = salt + struct.pack("<I", cost)
    hidden = spake2plus.ciphered(key, record)
    code_key = spake2plus.hkdf(key, b"code", lock.MAC_BYTES)
    data: bytes = head + hidden + spake2plus.hmac_sha256(code_key, head + hidden)
    return data
