"""Random lines for the instrument, from pure noise to lines that are almost right. No test lives here."""

from random import Random

from tests.micropython import doors

WORDS = sorted(
    {word for row in doors.rows() for word in row[0].replace("[", "").replace("]", "").split(":") if word}
)
SHARDS = [
    "*",
    "?",
    ":",
    ";",
    ",",
    " ",
    "\t",
    "'",
    '"',
    "#",
    "#0",
    "#15",
    "#H1F",
    "#9999999999",
    "(",
    "@",
    "\r",
    "\0",
]
VALUES = [
    "ON",
    "OFF",
    "0",
    "1",
    "-1",
    "0.1",
    "1E400",
    "1E99999",
    "MAX",
    "RUN",
    "STOP",
    "SLOT1",
    "SLOT77",
    "'JOURNAL'",
]
VALUES += [
    "#13abc",
    "#15\n;'\"#",
    "1.2.3",
    "100 MA",
    "'",
    '"x',
    "99999999999999999999999999999999999999999999",
]


def line(rng: Random) -> bytes:
    """One line with its NL."""
    kind = rng.random()
    if kind < 0.1:
        return rng.randbytes(rng.randrange(600)) + b"\n"
    if kind < 0.4:
        return "".join(rng.choice(WORDS + SHARDS + VALUES) for _ in range(rng.randrange(30))).encode() + b"\n"
    units = [_unit(rng) for _ in range(rng.choice([1, 1, 1, 2, 5]))]
    return _bent(rng, ";".join(units).encode()) + b"\n"


def _unit(rng: Random) -> str:
    header = rng.choice(doors.rows())[0]
    words = header.replace("[", "").replace("]", "")
    form = words if rng.random() < 0.5 else "".join(c for c in words if not c.islower())
    values = ",".join(rng.choice(VALUES) for _ in range(rng.choice([0, 0, 1, 1, 2, 3])))
    return rng.choice(["", ":"]) + form + (" " + values if values else "")


def _bent(rng: Random, text: bytes) -> bytes:
    """The text, and now and then a byte of it changed, lost or doubled."""
    if rng.random() < 0.7:
        return text
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice([b"", b"?", rng.randbytes(1), text[at : at + 1] * 2]) + text[at + 1 :]
