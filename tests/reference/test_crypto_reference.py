"""The lock's arithmetic against published vectors.

Sources: [H] RFC 4231, sections 4.2 to 4.8; [S] FIPS 180-4 as its examples and NIST's CAVP have them; [K] RFC
5869, A.3 (HKDF-SHA-256 without salt and info), from memory; [C] multiples of P-256's base point as the NIST
curves' point-multiplication vectors in wide circulation have them, from memory; [R] RFC 9383, appendix C, the
first vector of P256-SHA256-HKDF-SHA256-HMAC-SHA256, as public test suites reprint it; [P] RFC 7914, section
12 (scrypt), from memory. What is from memory is right by its own weight: a wrong digit would fail here.
"""

from __future__ import annotations

import hashlib
import hmac
from pathlib import Path

import pytest
from boxcore import spake2plus
from hypothesis import given, settings
from hypothesis import strategies as some
from nightdraw import exchange
from nightdraw.link import passcode

from tests.micropython import crypto_board, runner

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
# [C] k, x, y
MULTIPLES = [
    (
        2,
        "7cf27b188d034f7e8a52380304b51ac3c08969e277f21b35a60b48fc47669978",
        "07775510db8ed040293d9ac69f7430dbba7dade63ce982299e04b79d227873d1",
    ),
    (
        3,
        "5ecbe4d1a6330a44c8f7ef951d4bf165e6c6b721efada985fb41661bc6e7fd6c",
        "8734640c4998ff7e374b06ce1a64a2ecd82ab036384fb83d9a79b127a27d5032",
    ),
    (
        spake2plus.ORDER - 1,
        "6b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c296",
        "b01cbd1c01e58065711814b583f061e9d431cca994cea1313449bf97c840ae0a",
    ),
]
# [R]
VECTOR = {
    "w0": "bb8e1bbcf3c48f62c08db243652ae55d3e5586053fca77102994f23ad95491b3",
    "w1": "7e945f34d78785b8a3ef44d0df5a1a97d6b3b460409a345ca7830387a74b1dba",
    "L": "04eb7c9db3d9a9eb1f8adab81b5794c1f13ae3e225efbe91ea487425854c7fc00f"
    "00bfedcbd09b2400142d40a14f2064ef31dfaa903b91d1faea7093d835966efd",
    "x": "d1232c8e8693d02368976c174e2088851b8365d0d79a9eee709c6a05a2fad539",
    "shareP": "04ef3bd051bf78a2234ec0df197f7828060fe9856503579bb1733009042c15c0c1"
    "de127727f418b5966afadfdd95a6e4591d171056b333dab97a79c7193e341727",
    "y": "717a72348a182085109c8d3917d6c43d59b224dc6a7fc4f0483232fa6516d8b3",
    "shareV": "04c0f65da0d11927bdf5d560c69e1d7d939a05b0e88291887d679fcadea75810fb"
    "5cc1ca7494db39e82ff2f50665255d76173e09986ab46742c798a9a68437b048",
    "confirmP": "926cc713504b9b4d76c9162ded04b5493e89109f6d89462cd33adc46fda27527",
    "confirmV": "9747bcc4f8fe9f63defee53ac9b07876d907d55047e6ff2def2e7529089d3e68",
    "K_shared": "0c5f8ccd1413423a54f6c1fb26ff01534a87f893779c6e68666d772bfd91f3e7",
}
RFC = {name: bytes.fromhex(digits) for name, digits in VECTOR.items()}
W0, W1, X, Y = (int.from_bytes(RFC[name], "big") for name in ("w0", "w1", "x", "y"))
# [K] secret, HKDF of 42 bytes without salt and info
RFC_5869 = (
    b"\x0b" * 22,
    "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8",
)


@pytest.mark.parametrize(("key", "message", "wanted"), RFC_4231)
def test_hmac_sha256(key, message, wanted):
    """[H]"""
    assert spake2plus.hmac_sha256(key, message).hex()[: len(wanted)] == wanted


@pytest.mark.parametrize(("message", "wanted"), FIPS_180)
def test_sha256(message, wanted):
    """[S]"""
    assert hashlib.sha256(message).hexdigest() == wanted


def test_hkdf():
    """[K]"""
    assert spake2plus.hkdf(RFC_5869[0], b"", 42).hex() == RFC_5869[1]


@pytest.mark.parametrize(("k", "x", "y"), MULTIPLES)
def test_multiples_of_the_base_point(k, x, y):
    """[C]"""
    point = crypto_board.multiple(k, spake2plus.BASE)
    assert spake2plus.encode(point).hex() == "04" + x + y


def test_the_order_times_the_base_point_is_infinity():
    """FIPS 186-4, D.1.2: what an order is."""
    assert not exchange.finish(spake2plus.multiply(spake2plus.ORDER, spake2plus.BASE))[2]
    with pytest.raises(ValueError, match="infinity"):
        exchange.finish(spake2plus.affine(exchange.finish(spake2plus.multiply(0, spake2plus.BASE))))


def test_both_fixed_points_are_those_of_the_rfc():
    """RFC 9383, section 4, in compressed form: 02 and 03 say whether y is even."""
    assert (spake2plus.M[0], spake2plus.M[1] & 1, spake2plus.N[0], spake2plus.N[1] & 1) == (
        0x886E2F97ACE46E55BA9DD7242579F2993B64E16EF3DCAB95AFD497333D8FA12F,
        0,
        0xD8BBD6C639C62937B04D997F38C3770719C629D7014D49A24B4F98BAA1292B49,
        1,
    )
    for point in (spake2plus.M, spake2plus.N):
        assert spake2plus.decode(spake2plus.encode(point)) == point


def test_the_verifiers_side_of_spake2plus():
    """[R]"""
    said = crypto_board.verify(RFC["w0"], RFC["L"], RFC["shareP"], RFC["y"])
    assert said == RFC["shareV"] + RFC["confirmP"] + RFC["confirmV"] + RFC["K_shared"]


def test_the_provers_side_of_spake2plus():
    """[R]"""
    record = passcode.record(W0, W1)
    assert record[32:97] == RFC["L"]
    masks = passcode.masks(W0)
    assert exchange.finish(spake2plus.hidden(X, masks[0])) == RFC["shareP"]
    keys = exchange.finish(exchange.prove(crypto_board.NAMES, W0, W1, X, RFC["shareV"], *masks))
    assert (keys.prover_confirmation, keys.verifier_confirmation, keys.shared) == (
        RFC["confirmP"],
        RFC["confirmV"],
        RFC["K_shared"],
    )


def test_the_boards_own_arithmetic_gives_the_same(tmp_path):
    """[H], [S], [K], [C] and [R] under real MicroPython."""
    asked = [f"hmac {key.hex()} {message.hex()}\n" for key, message, _ in RFC_4231]
    asked += [f"sha {message.hex()}\n" for message, _ in FIPS_180]
    asked += [f"multiple {k:064x}\n" for k, *_ in MULTIPLES]
    asked += ["verify " + " ".join(VECTOR[name] for name in ("w0", "L", "shareP", "y")) + "\n"]
    (tmp_path / "asked").write_text("".join(asked), "ascii")
    wanted = [answer for *_, answer in RFC_4231] + [answer for _, answer in FIPS_180]
    wanted += ["04" + x + y for _, x, y in MULTIPLES]
    wanted += ["".join(VECTOR[name] for name in ("shareV", "confirmP", "confirmV", "K_shared"))]
    found = runner.run(SCRIPT, str(tmp_path / "asked")).decode().split()
    assert [one[: len(other)] for one, other in zip(found, wanted, strict=True)] == wanted


def test_scrypt_is_the_published_one():
    """[P]: "password", "NaCl", N 1024, r 8, p 16."""
    made = hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, dklen=64, maxmem=1 << 26)
    assert made.hex().startswith("fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162")


def test_the_numbers_of_a_passcode_are_made_as_the_rfc_says():
    """RFC 9383, 3.2: lengths of eight bytes, lowest first, before passcode and both names, here empty; two
    halves of 40 bytes, each modulo the order."""
    code = "grey heron"
    given = (10).to_bytes(8, "little") + code.encode() + bytes(8) + bytes(8)
    wide = hashlib.scrypt(given, salt=b"s" * 16, n=1024, r=8, p=1, dklen=80, maxmem=1 << 26)
    halves = tuple(int.from_bytes(half, "big") % spake2plus.ORDER for half in (wide[:40], wide[40:]))
    assert passcode.numbers(code, b"s" * 16, 1024) == halves


@given(some.binary(max_size=200), some.binary(max_size=200))
def test_hmac_is_pythons(key, message):
    """Against CPython's hmac, an implementation of its own, at every length of key around the block."""
    assert spake2plus.hmac_sha256(key, message) == hmac.new(key, message, "sha256").digest()


@settings(max_examples=20)
@given(some.integers(0, 2**256 - 1), some.integers(0, 2**256 - 1))
def test_multiples_add_up(one, other):
    """(a + b) P = aP + bP, sums that meet in a doubling or at infinity among them: the group's own law."""
    left = exchange.finish(spake2plus.multiply((one + other) % spake2plus.ORDER, spake2plus.BASE))
    right = spake2plus.add(
        exchange.finish(spake2plus.multiply(one, spake2plus.BASE)),
        exchange.finish(spake2plus.multiply(other, spake2plus.BASE)),
    )
    assert spake2plus.add(left, spake2plus.negative(right))[2] == 0
    assert spake2plus.add(right, spake2plus.negative(left))[2] == 0
    twice = spake2plus.add(left, left)
    assert spake2plus.add(twice, spake2plus.negative(spake2plus.double(right)))[2] == 0
