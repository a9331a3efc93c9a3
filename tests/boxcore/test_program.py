"""The compiled program: what goes in comes out, and nothing changed or cut is ever taken for a program."""

import binascii
import contextlib
import struct

import pytest
from boxcore import program as pg
from hypothesis import given
from hypothesis import strategies as some
from nightdraw import programs

TICKS = some.integers(pg.MIN_TICKS, pg.MAX_TICKS)
LEVELS = some.integers(0, pg.MAX_LEVEL_UA)


@some.composite
def pulses(draw):
    every = draw(some.integers(pg.MIN_TICKS + 1, pg.MAX_TICKS))
    on = draw(some.integers(pg.MIN_TICKS, every - 1))
    return (pg.PULSE, draw(LEVELS), on, every, draw(some.integers(0, pg.MAX_TICKS)))


@some.composite
def randoms(draw):
    on = sorted([draw(TICKS), draw(TICKS)])
    if draw(some.booleans()):
        mean = draw(some.integers(pg.MIN_TICKS, pg.MAX_MEAN_TICKS))
        return (pg.RANDOM, draw(LEVELS), *on, pg.EXPONENTIAL, mean, mean)
    return (pg.RANDOM, draw(LEVELS), *on, pg.UNIFORM, *sorted([draw(TICKS), draw(TICKS)]))


@some.composite
def replays(draw):
    levels = draw(some.lists(some.tuples(LEVELS, TICKS), min_size=1, max_size=12))
    return (pg.REPLAY, draw(some.integers(0, pg.MAX_U32)), programs.pack_levels(levels))


@some.composite
def some_programs(draw):
    kinds = some.one_of(some.tuples(some.just(pg.STEADY), LEVELS), pulses(), randoms(), replays())
    numbers = {name: draw(some.integers(0, pg.MAX_U32)) for name in pg.NUMBERS}
    low = draw(some.integers(0, pg.MAX_U32 - 1))
    numbers["supply_min_mv"] = low
    numbers["supply_max_mv"] = draw(some.integers(low + 1, pg.MAX_U32))
    return pg.Program(
        draw(some.from_regex(r"[a-z][a-z0-9-]{0,31}", fullmatch=True)),
        draw(some.lists(kinds, min_size=1, max_size=pg.MAX_DRAWS)),
        start=draw(some.sampled_from([pg.START_POWER, pg.START_PANEL, pg.START_REST])),
        resume=draw(some.sampled_from([pg.RESUME_RESTART, pg.RESUME_CONTINUE, pg.RESUME_STAY_OFF])),
        **numbers,
    )


def same(one, other):
    return all(vars(one)[field] == vars(other)[field] for field in vars(one) if field != "peak_ua")


def sample():
    return pg.Program(
        "sample",
        [
            (pg.STEADY, 40_000),
            (pg.PULSE, 350_000, 7_000, 750_000, 0),
            (pg.RANDOM, 250_000, 2_000, 9_000, pg.UNIFORM, 200_000, 1_800_000),
            (pg.REPLAY, 3, programs.pack_levels([(120_000, 20_000), (40_000, 300_000)])),
        ],
        seed=11,
    )


def resealed(body):
    return bytes(body) + struct.pack("<I", binascii.crc32(body))


@given(some_programs())
def test_pack_and_unpack_are_inverse(program):
    data = programs.pack(program)
    again = programs.unpack(data)
    assert same(again, program)
    assert programs.pack(again) == data


def test_every_change_of_one_byte_is_refused():
    data = programs.pack(sample())
    for at in range(len(data)):
        for change in range(1, 256):
            bad = bytearray(data)
            bad[at] ^= change
            with pytest.raises(pg.ProgramError):
                programs.unpack(bad)


@given(some_programs(), some.data())
def test_a_program_that_was_cut_or_grew_is_refused(program, data):
    packed = programs.pack(program)
    with pytest.raises(pg.ProgramError):
        programs.unpack(packed[: data.draw(some.integers(0, len(packed) - 1))])
    with pytest.raises(pg.ProgramError):
        programs.unpack(packed + data.draw(some.binary(min_size=1, max_size=20)))


@given(some.binary(max_size=400))
def test_bytes_under_a_right_crc_never_break_the_reader(body):
    for data in (resealed(body), resealed(programs.pack(sample())[:-4] + body), resealed(b"NDrw\1" + body)):
        with contextlib.suppress(pg.ProgramError):
            programs.pack(programs.unpack(data))


@given(some.data())
def test_any_changed_byte_under_a_right_crc_is_refused_or_valid(data):
    body = bytearray(programs.pack(sample())[:-4])
    body[data.draw(some.integers(0, len(body) - 1))] = data.draw(some.integers(0, 255))
    try:
        program = programs.unpack(resealed(body))
    except pg.ProgramError:
        return
    programs.pack(program)


def test_the_trailer_is_the_crc_32_of_zlib():
    # CRC-32 of "123456789" is CBF43926 (ISO 3309 / ITU-T V.42; CRC catalogue), and zlib's crc32 has it.
    assert binascii.crc32(b"123456789") == 0xCBF43926
    data = programs.pack(sample())
    assert struct.unpack("<I", data[-4:])[0] == binascii.crc32(data[:-4])


MEAN = pg.MAX_MEAN_TICKS + 1
WRONG_DRAWS = {
    "kind 9": (9, 1),
    "level": (pg.STEADY, pg.MAX_LEVEL_UA + 1),
    "on must be shorter": (pg.PULSE, 1, 20, 20, 0),
    "on and every": (pg.PULSE, 1, pg.MIN_TICKS - 1, 20, 0),
    f"{pg.MAX_TICKS + 1} is out of range": (pg.PULSE, 1, 10, 20, pg.MAX_TICKS + 1),
    "on must be a range": (pg.RANDOM, 1, 30, 20, pg.UNIFORM, 10, 10),
    "gap must be a range": (pg.RANDOM, 1, 10, 20, pg.UNIFORM, 9, 10),
    "law 2": (pg.RANDOM, 1, 10, 20, 2, 10, 10),
    "one mean": (pg.RANDOM, 1, 10, 20, pg.EXPONENTIAL, 10, 11),
    "14.9 h": (pg.RANDOM, 1, 10, 20, pg.EXPONENTIAL, MEAN, MEAN),
    "-1 is out of range": (pg.REPLAY, -1, programs.pack_levels([(1, 10)])),
    "levels are cut": (pg.REPLAY, 1, b"1234567"),
    "shorter than 1 ms": (pg.REPLAY, 1, programs.pack_levels([(1, 10), (1, 9)])),
}


@pytest.mark.parametrize("message", WRONG_DRAWS)
def test_a_wrong_draw_is_named_by_its_number(message):
    with pytest.raises(pg.ProgramError, match="draw 2: .*" + message):
        programs.pack(pg.Program("wrong", [(pg.STEADY, 1), WRONG_DRAWS[message]]))


@pytest.mark.parametrize("name", ["", "A", "9a", "a_b", "a" * 33, "é", "a b"])
def test_a_wrong_name_is_refused(name):
    with pytest.raises(pg.ProgramError, match="name"):
        programs.pack(pg.Program(name, [(pg.STEADY, 1)]))


def test_wrong_fields_are_refused():
    steady = [(pg.STEADY, 1)]
    for options, message in [
        ({"start": 3}, "start rule 3"),
        ({"resume": 3}, "resume rule 3"),
        ({"supply_min_mv": 2, "supply_max_mv": 2}, "below"),
        ({"run_ticks": 1 << 32}, "run_ticks"),
        ({"seed": -1}, "seed"),
    ]:
        with pytest.raises(pg.ProgramError, match=message):
            programs.pack(pg.Program("wrong", steady, **options))
    for draws in ([], steady * 9):
        with pytest.raises(pg.ProgramError, match="draws"):
            programs.pack(pg.Program("wrong", draws))
    with pytest.raises(pg.ProgramError, match="unknown field speed"):
        pg.Program("wrong", steady, speed=1)
    with pytest.raises(pg.ProgramError, match="a slot holds"):
        programs.pack(pg.Program("wrong", [(pg.REPLAY, 1, programs.pack_levels([(1, 10)] * 2048))]))


@given(some_programs())
def test_the_peak_is_every_draws_highest_level(program):
    total = 0
    for draw in program.draws:
        if draw[0] == pg.REPLAY:
            levels = [level for level, _ in struct.iter_unpack("<II", draw[2])]
            total += max(levels)
        else:
            total += draw[1]
    assert programs.unpack(programs.pack(program)).peak_ua == total
