"""The lock's arithmetic against published vectors.

Sources: [H] RFC 4231, sections 4.2 to 4.8; [S] FIPS 180-4 as its examples and NIST's CAVP have them; [P] RFC
7914, section 11 (PBKDF2-HMAC-SHA-256); [Q] PBKDF2-HMAC-SHA-256 for the inputs of RFC 6070, whose own outputs
are those of SHA-1, in wide circulation. [P] and [Q] from memory, and held against Python's hashlib below.
"""

from __future__ import annotations

import hashlib
import hmac
from pathlib import Path

import pytest
from boxcore import lock
from hypothesis import given
from hypothesis import strategies as some
from nightdraw.link import passcode

from tests.micropython import runner

SCRIPT = Path(runner.__file__).with_name("crypto_board.py")

# [H] key, message, HMAC-SHA-256; case 5 is published cut to 128 bits
RFC_4231 = [
    (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (
        b"Jefe",
        b"what do ya want for nothing?",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    ),
    (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    (
        bytes(range(1, 26)),
        b"\xcd" * 50,
        "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
    ),
    (b"\x0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. "
        b"The key needs to be hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
]
# [S] message, SHA-256
FIPS_180 = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"\xbd", "68325720aabd7c82f30f554b313d0570c95accbb7dc4b5aae11204c08ffe732b"),
    (b"\xc9\x8c\x8e\x55", "7abc22c0ae5af26ce93dbb94433a0e0b2e119d014f8e7f65bd56c61ccccd9504"),
]
# passcode, salt, rounds, the key's first 32 bytes: [P] the first two (of 64 published bytes), [Q] the others
PBKDF2 = [
    ("passwd", b"salt", 1, "55ac046e56e3089fec1691c22544b605f94185216dde0465e68b9d57c20dacbc"),
    ("Password", b"NaCl", 80000, "4ddcd8f60b98be21830cee5ef22701f9641a4418d04c0414aeff08876b34ab56"),
    ("password", b"salt", 1, "120fb6cffcf8b32c43e7225256c4f837a86548c92ccc35480805987cb70be17b"),
    ("password", b"salt", 2, "ae4d0c95af6b46d32d0adff928f06dd02a303f8ef3c251dfd6e2d85a95474c43"),
    ("password", b"salt", 4096, "c5e478d59288c841aa530db6845c4c8d962893a001ce4e11a4963873aa98134a"),
]


@pytest.mark.parametrize(("key", "message", "wanted"), RFC_4231)
def test_hmac_sha256(key, message, wanted):
    """[H]"""
    assert lock.hmac_sha256(key, message).hex()[: len(wanted)] == wanted


@pytest.mark.parametrize(("message", "wanted"), FIPS_180)
def test_sha256(message, wanted):
    """[S]"""
    assert hashlib.sha256(message).hexdigest() == wanted


def test_the_boards_own_hash_and_hmac_give_the_same(tmp_path):
    """[H] and [S] under real MicroPython."""
    asked = [f"{key.hex()} {message.hex()}\n" for key, message, _ in RFC_4231]
    asked += [f"- {message.hex()}\n" for message, _ in FIPS_180]
    (tmp_path / "asked").write_text("".join(asked), "ascii")
    wanted = [answer for *_, answer in RFC_4231] + [answer for _, answer in FIPS_180]
    found = runner.run(SCRIPT, str(tmp_path / "asked")).decode().split()
    assert [one[: len(other)] for one, other in zip(found, wanted, strict=True)] == wanted


@pytest.mark.parametrize(("code", "salt", "rounds", "wanted"), PBKDF2)
def test_pbkdf2(code, salt, rounds, wanted):
    """[P] and [Q]"""
    assert passcode.key(code, salt, rounds).hex() == wanted


@given(some.binary(max_size=200), some.binary(max_size=200))
def test_hmac_is_pythons(key, message):
    """Against CPython's hmac, an implementation of its own, at every length of key around the block."""
    assert lock.hmac_sha256(key, message) == hmac.new(key, message, "sha256").digest()


@given(some.text(min_size=4, max_size=40), some.binary(min_size=16, max_size=16), some.integers(1, 20))
def test_pbkdf2_is_made_of_this_hmac(code, salt, rounds):
    """RFC 8018, 5.2, written out with the box's own HMAC: U1 = PRF(P, S || 1), U2 = PRF(P, U1), ... added
    bit by bit."""
    link = total = lock.hmac_sha256(code.encode(), salt + b"\0\0\0\1")
    for _ in range(rounds - 1):
        link = lock.hmac_sha256(code.encode(), link)
        total = bytes(a ^ b for a, b in zip(total, link, strict=True))
    assert passcode.key(code, salt, rounds) == total
