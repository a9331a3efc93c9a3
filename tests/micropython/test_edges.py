"""The same edges to the tick, and the same patterns, under CPython and under real MicroPython."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest
from boxcore import program as pg
from nightdraw import data, programs
from nightdraw.profile import load

from tests.micropython import cases, make, play_board, run_board, runner

RANDOM_PROGRAMS = 60
EDGES_EACH = 3000  # of a random program; a slow one takes weeks of its own time, which costs nothing here
BANKS, CHOICES_EACH = 20, 200
OWN_UA = 11_000
DAY_TICKS = 86_400 * pg.TICKS_PER_S
HORIZON_TICKS = 1 << 45  # beyond 30 and 32 bits alike: large integers must agree as well
SCRIPT = Path(__file__).with_name("play_board.py")
BOX_SCRIPT = Path(__file__).with_name("run_board.py")
BOX_PROGRAMS = 20
BOX_TICKS = 120 * pg.TICKS_PER_S  # of a random program, after its start

Play = tuple[bytes, int, int, int, int]
Choice = tuple[list[int], list[tuple[int, int]]]


@dataclass
class Results:
    """What one Python made of the cases."""

    edges: list[bytes]
    patterns: list[bytes]


@pytest.fixture(scope="module")
def shipped() -> list[tuple[str, Play]]:
    """A day of every profile that ships, as it would be sent to a box, in runs 1 and 2."""
    plays = []
    for path in data.profile_paths():
        packed = programs.pack(load(path).program())
        plays += [(f"{path.name} run {run}", (packed, run, OWN_UA, 1 << 31, DAY_TICKS)) for run in (1, 2)]
    return plays


@pytest.fixture(scope="module")
def random_plays(seed: int) -> list[tuple[str, Play]]:
    """Random programs of all kinds, in random runs."""
    rng = Random(seed)
    plays = []
    for number in range(RANDOM_PROGRAMS):
        packed = programs.pack(make.program(rng, f"random-{number}"))
        run = rng.choice([1, 2, rng.randint(3, pg.MAX_U32)])
        plays.append(
            (f"random program {number} of seed {seed}", (packed, run, OWN_UA, EDGES_EACH, HORIZON_TICKS))
        )
    return plays


@pytest.fixture(scope="module")
def choices(seed: int) -> list[Choice]:
    """Random banks, each asked for random levels at random supplies, none and too much among them."""
    rng = Random(seed + 1)
    return [
        (
            make.channels_ns(rng),
            [(rng.randrange(1 << rng.randint(1, 27)), rng.randint(1, 40_000)) for _ in range(CHOICES_EACH)],
        )
        for _ in range(BANKS)
    ]


@pytest.fixture(scope="module")
def both(
    shipped: list[tuple[str, Play]],
    random_plays: list[tuple[str, Play]],
    choices: list[Choice],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Results, Results]:
    """All cases under CPython and, in one process, under MicroPython."""
    plays = [play for _, play in shipped + random_plays]
    here = Results(
        [play_board.play(*play) for play in plays], [play_board.choose(*choice) for choice in choices]
    )
    folder = tmp_path_factory.mktemp("micropython")
    names = [str(folder / name) for name in ("plays", "edges", "choices", "patterns")]
    cases.write_plays(names[0], plays)
    cases.write_choices(names[2], choices)
    edges = sum(len(result) for result in here.edges) // cases.EDGE_BYTES
    runner.run(SCRIPT, *names, programs=len(plays), edges=edges)
    return here, Results(_chunks(Path(names[1])), _chunks(Path(names[3])))


def _chunks(path: Path) -> list[bytes]:
    whole = path.read_bytes()
    chunks = []
    at = 0
    while at < len(whole):
        (length,) = struct.unpack_from("<I", whole, at)
        chunks.append(whole[at + 4 : at + 4 + length])
        at += 4 + length
    return chunks


def first_difference(here: bytes, board: bytes) -> str | None:
    """Where two streams of edges part, in words; None where they are the same."""
    if here == board:
        return None
    pairs = [list(struct.iter_unpack(cases.EDGE, stream)) for stream in (here, board)]
    for number, (one, other) in enumerate(zip(*pairs, strict=False)):
        if one != other:
            return f"edge {number}: CPython (tick, uA) {one}, MicroPython {other}"
    return f"CPython has {len(pairs[0])} edges, MicroPython {len(pairs[1])}"


def test_every_shipped_profile_has_the_same_edges(
    shipped: list[tuple[str, Play]], both: tuple[Results, Results]
) -> None:
    here, board = both
    differences = [
        (name, first_difference(one, other))
        for (name, _), one, other in zip(shipped, here.edges, board.edges, strict=False)
        if one != other
    ]
    assert len(shipped) >= 16, "eight profiles or more ship, each in two runs"
    assert not differences


def test_random_programs_have_the_same_edges(
    random_plays: list[tuple[str, Play]], both: tuple[Results, Results]
) -> None:
    here, board = both
    differences = [
        (name, first_difference(one, other))
        for (name, _), one, other in zip(
            random_plays, here.edges[-RANDOM_PROGRAMS:], board.edges[-RANDOM_PROGRAMS:], strict=True
        )
        if one != other
    ]
    assert not differences


def test_the_random_programs_cover_every_kind(
    random_plays: list[tuple[str, Play]], both: tuple[Results, Results]
) -> None:
    kinds = {draw[0] for _, play in random_plays for draw in programs.unpack(play[0]).draws}
    assert kinds == {*pg.BODIES, pg.REPLAY}
    assert sum(len(edges) for edges in both[0].edges) > 10_000 * cases.EDGE_BYTES


def test_every_bank_picks_the_same_patterns(choices: list[Choice], both: tuple[Results, Results]) -> None:
    here, board = both
    assert len(board.patterns) == len(choices)
    assert board.patterns == here.patterns


def test_a_whole_box_queues_the_same_words_and_writes_the_same_journal(
    shipped: list[tuple[str, Play]], seed: int, tmp_path: Path
) -> None:
    rng = Random(seed + 2)
    plays = [play for name, play in shipped if name.endswith("run 1")]
    plays += [(programs.pack(make.program(rng, f"box-{n}")), 1, OWN_UA, 0, 0) for n in range(BOX_PROGRAMS)]
    timed = [(packed, 1, OWN_UA, 0, _start_ticks(packed) + BOX_TICKS) for packed, *_ in plays]
    here = [part for packed, _, _, _, ticks in timed for part in run_board.run(packed, ticks)]
    words = sum(len(part) for part in here[0::2]) // struct.calcsize(run_board.WORD)
    names = [str(tmp_path / name) for name in ("plays", "results")]
    cases.write_plays(names[0], timed)
    runner.run(BOX_SCRIPT, *names, programs=len(timed), edges=words)
    board = _chunks(Path(names[1]))
    assert words > 100 * len(timed)
    assert [len(part) for part in board] == [len(part) for part in here]
    assert [number for number, (one, other) in enumerate(zip(here, board, strict=True)) if one != other] == []


def _start_ticks(packed: bytes) -> int:
    """How long the start rule may take with the supplies of run_board, at most."""
    plan = programs.unpack(packed)
    return plan.start_after_ticks + len(run_board.SUPPLIES_MV) * plan.start_steady_ticks


def test_a_difference_of_one_tick_is_found_and_named() -> None:
    one = struct.pack(cases.EDGE, 0, 11_000) + struct.pack(cases.EDGE, 500, 40_000)
    other = struct.pack(cases.EDGE, 0, 11_000) + struct.pack(cases.EDGE, 501, 40_000)
    assert first_difference(one, one) is None
    assert first_difference(one, other) == "edge 1: CPython (tick, uA) (500, 40000), MicroPython (501, 40000)"
    assert first_difference(one, one[: cases.EDGE_BYTES]) == "CPython has 2 edges, MicroPython 1"
