"""What a right profile means: every key as whole numbers in the program, defaults, replay files, notes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from boxcore import program as pg
from hypothesis import given
from nightdraw import programs
from nightdraw.board import load_board
from nightdraw.profile import compile_profile, load

from tests.profile.made import HEAD, documents, dump, found, write

WHOLE = """\
profile: restless-module
about: >
  One paragraph
  for the instructor.
complaint: It does not start.
start: {when: supply-rest, below: 13.0 V, steady: 60 s, after: 15 min}
draws:
  - steady: 40 mA
  - pulse:  {draw: 350 mA, on: 700 ms, every: 75 s, first: 5 s}
  - random: {draw: 250 mA, on: 200 ms .. 900 ms, gap: 20 s .. 3 min, law: uniform}
  - random: {draw: 20 mA, on: 1.5 s, gap: 70 s, law: exponential}
  - replay: {levels: [[120 mA, 2 s], [40 mA, 30 s]], repeat: forever}
limits: {supply_min: 11.5 V, supply_max: 15 V, run: 2 h, charge: 1.5 Ah, bank_temp: 80 C}
resume: continue
resume_after: 3 s
seed: 11
"""


def test_every_key_reaches_the_program(tmp_path: Path) -> None:
    program = programs.unpack(compile_profile(write(tmp_path, WHOLE)))
    assert program.name == "restless-module"
    assert (program.start, program.resume) == (pg.START_REST, pg.RESUME_CONTINUE)
    assert program.draws == (
        (pg.STEADY, 40_000),
        (pg.PULSE, 350_000, 7_000, 750_000, 50_000),
        (pg.RANDOM, 250_000, 2_000, 9_000, pg.UNIFORM, 200_000, 1_800_000),
        (pg.RANDOM, 20_000, 15_000, 15_000, pg.EXPONENTIAL, 700_000, 700_000),
        (pg.REPLAY, pg.FOREVER, programs.pack_levels([(120_000, 20_000), (40_000, 300_000)])),
    )
    assert programs.numbers(program) == {
        "seed": 11,
        "start_below_mv": 13_000,
        "start_steady_ticks": 600_000,
        "start_after_ticks": 9_000_000,
        "supply_min_mv": 11_500,
        "supply_max_mv": 15_000,
        "run_ticks": 72_000_000,
        "charge_mas": 5_400_000,
        "bank_temp_cdeg": 8_000,
        "resume_after_ticks": 30_000,
    }


def test_texts_are_one_paragraph(tmp_path: Path) -> None:
    profile = load(write(tmp_path, WHOLE))
    assert profile.about == "One paragraph for the instructor."
    assert profile.complaint == "It does not start."


def test_defaults(tmp_path: Path) -> None:
    program = load(write(tmp_path, "profile: a\ndraws:\n  - steady: 40 mA\n")).program()
    assert (program.start, program.resume, program.seed) == (pg.START_POWER, pg.RESUME_RESTART, 0)
    assert program.supply_min_mv == 11_800
    assert program.supply_max_mv == 16_000
    assert program.run_ticks == 3 * 3600 * 10_000
    assert program.charge_mas == 2 * 3_600_000
    assert program.bank_temp_cdeg == 9_000
    assert program.start_after_ticks == program.resume_after_ticks == 0


def test_an_omitted_law_is_uniform_and_an_omitted_repeat_is_once(tmp_path: Path) -> None:
    text = HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: 1 s .. 2 s}\n  - replay: {levels: [[9 mA, 1 s]]}\n"
    random, replay = load(write(tmp_path, text)).program().draws
    assert random[4] == pg.UNIFORM
    assert replay[1] == 1


def test_another_seed(tmp_path: Path) -> None:
    profile = load(write(tmp_path, WHOLE))
    assert profile.program().seed == 11
    assert profile.program(0).seed == 0


@pytest.mark.parametrize(
    ("written", "ticks"), [("700 ms", 7000), ("1.04 ms", 10), ("1.05 ms", 11), ("0.001 s", 10), ("1ms", 10)]
)
def test_durations_are_rounded_to_the_nearest_tick(tmp_path: Path, written: str, ticks: int) -> None:
    text = HEAD + f"  - pulse: {{draw: 50 mA, on: {written}, every: 9 s}}\n"
    assert load(write(tmp_path, text)).program().draws[0][2] == ticks


@pytest.mark.parametrize(("when", "code"), [("power", pg.START_POWER), ("panel", pg.START_PANEL)])
def test_start_rules(tmp_path: Path, when: str, code: int) -> None:
    text = f"profile: a\nstart: {{when: {when}, after: 0 s}}\ndraws: [steady: 40 mA]\n"
    assert load(write(tmp_path, text)).program().start == code


@pytest.mark.parametrize(
    ("table", "levels"),
    [
        ("level_mA,duration_s\n120,2\n40.5,30\n", [(120_000, 20_000), (40_500, 300_000)]),
        ("level_ma,duration_ms\r\n120,2000\r\n\r\n0,1\r\n", [(120_000, 20_000), (0, 10)]),
        ("level (A),duration (min)\n0.12,1\n", [(120_000, 600_000)]),
        ("level[mA], duration[s]\n 120 , 2 \n", [(120_000, 20_000)]),
        ("level,duration\n120 mA,2 s\n0.1 A,300 ms", [(120_000, 20_000), (100_000, 3_000)]),
        ('\ufeff"level mA","duration s"\n"120","2"\n', [(120_000, 20_000)]),
    ],
)
def test_replay_files(tmp_path: Path, table: str, levels: list[tuple[int, int]]) -> None:
    write(tmp_path, table, "levels.csv")
    path = write(tmp_path, HEAD + "  - replay: {file: levels.csv, repeat: 3}\n")
    assert load(path).program().draws == ((pg.REPLAY, 3, programs.pack_levels(levels)),)


@pytest.mark.parametrize(
    ("table", "line", "column", "said"),
    [
        ("", 1, 1, "empty"),
        ("120,2\n", 1, 1, "the header must be level_UNIT,duration_UNIT"),
        ("time_s,level_mA\n", 1, 1, "the header must be"),
        ("level_mA\n1\n", 1, 1, "has 1 columns"),
        ("level_mA,duration_s\n", 1, 1, "no levels"),
        ("level_V,duration_s\n1,2\n", 1, 1, "'V' is no unit of current"),
        ("level_mA,duration_s\n120,2\n120;2\n", 3, 1, "has 1"),
        ("level_mA,duration_s\n120,2,3\n", 2, 1, "has 3"),
        ("level_mA,duration_s\n120,\n", 2, 5, "duration is missing"),
        ('level_mA,duration_s\n120,""\n', 2, 5, "duration is missing"),
        ("level_mA,duration_s\n120,  -2\n", 2, 7, "negative"),
        ("level_mA,duration_s\n120,2 s\n", 2, 5, "unknown unit"),
        ("level_mA,duration_s\nnan,2\n", 2, 1, "is not a current"),
        ("level,duration\n120,2 s\n", 2, 1, "has no unit"),
        ("level_mA,duration_s\n120,0.0001\n", 2, 5, "at least 1 ms"),
        ("level_mA,duration_s\n120,2\x00\n", 2, 6, "U+0000"),
    ],
)
def test_errors_of_a_replay_file_have_its_own_places(
    tmp_path: Path, table: str, line: int, column: int, said: str
) -> None:
    from tests.profile.made import findings

    csv = write(tmp_path, table, "levels.csv")
    (finding,) = findings(write(tmp_path, HEAD + "  - replay: {file: levels.csv}\n"))
    assert (finding.file, finding.line, finding.column) == (str(csv), line, column)
    assert said in finding.message


def test_a_replay_file_is_beside_the_profile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "deep").mkdir()
    write(tmp_path / "deep", "level_mA,duration_s\n120,2\n", "a.csv")
    write(tmp_path / "deep", HEAD + "  - replay: {file: a.csv}\n")
    monkeypatch.chdir(tmp_path)
    assert load("deep/p.yaml").program().draws


def test_a_huge_replay_file_is_refused(tmp_path: Path) -> None:
    with (tmp_path / "big.csv").open("wb") as stream:
        stream.truncate(50_000_000)
    ((line, column, message),) = found(write(tmp_path, HEAD + "  - replay: {file: big.csv}\n"))
    assert (line, column) == (1, 1)
    assert "larger than 1 MB" in message


def test_the_largest_program_fits_and_one_level_more_does_not(tmp_path: Path) -> None:
    overhead = len(compile_profile(write(tmp_path, HEAD + "  - replay: {levels: [[9 mA, 1 s]]}\n"))) - 8
    most = (pg.MAX_BYTES - overhead) // 8
    path = write(tmp_path, HEAD + "  - replay: {file: a.csv}\n")
    write(tmp_path, "level_mA,duration_s\n" + "9,1\n" * most, "a.csv")
    assert pg.MAX_BYTES - 8 < len(compile_profile(path)) <= pg.MAX_BYTES
    write(tmp_path, "level_mA,duration_s\n" + "9,1\n" * (most + 1), "a.csv")
    ((line, column, message),) = found(path)
    assert (line, column) == (4, 20)
    assert "draw 1 (replay) makes the program larger than the 16384 bytes" in message


def test_of_several_replays_the_longest_is_named(tmp_path: Path) -> None:
    write(tmp_path, "level_mA,duration_s\n" + "9,1\n" * 2000, "long.csv")
    write(tmp_path, "level_mA,duration_s\n" + "9,1\n" * 100, "short.csv")
    text = HEAD + "  - replay: {file: short.csv}\n  - replay: {file: long.csv}\n"
    ((line, _, message),) = found(write(tmp_path, text))
    assert line == 5
    assert "draw 2 (replay)" in message


def _board(tmp_path: Path, caps: str) -> Path:
    shipped = load_board_text()
    lines = [caps if line.startswith("caps:") else line for line in shipped.splitlines()]
    return write(tmp_path, "\n".join(lines) + "\n", "board.yaml")


def load_board_text() -> str:
    """The shipped board file."""
    from nightdraw import data

    return data.board_path().read_text()


def test_a_boards_tighter_caps_win_and_are_noted(tmp_path: Path) -> None:
    caps = "caps: {supply_min: 12 V, supply_max: 14 V, run: 1 h, charge: 1 Ah, bank_temp: 70 C}"
    profile = load(write(tmp_path, WHOLE), _board(tmp_path, caps))
    assert {note.message.split(":")[0] for note in profile.notes} == {
        f"limits.{key}" for key in ("supply_min", "supply_max", "run", "charge", "bank_temp")
    }
    assert all(note.line == 13 for note in profile.notes)
    held = profile.limits.within(profile.board.caps)
    assert vars(held) == {
        "supply_min_mv": 12_000,
        "supply_max_mv": 14_000,
        "run_ticks": 36_000_000,
        "charge_mas": 3_600_000,
        "bank_temp_cdeg": 7_000,
    }
    assert profile.program().supply_min_mv == 11_500, (
        "the program says what was asked; the box takes the tighter"
    )


def test_looser_caps_are_no_note(tmp_path: Path) -> None:
    assert load(write(tmp_path, WHOLE)).notes == ()


def test_a_quiet_time_that_never_comes_is_noted(tmp_path: Path) -> None:
    text = WHOLE.replace("resume: continue", "resume: stay-off")
    (note,) = load(write(tmp_path, text)).notes
    assert "no effect" in note.message


def test_the_board_may_be_a_model_a_file_or_the_shipped_one(tmp_path: Path) -> None:
    from nightdraw import data

    path = write(tmp_path, WHOLE)
    boards: list[Any] = [None, load_board(), data.board_path(), str(data.board_path())]
    assert len({compile_profile(path, board) for board in boards}) == 1


@given(documents())
def test_whatever_is_accepted_packs_and_unpacks(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, Any]
) -> None:
    path = write(tmp_path_factory.getbasetemp(), dump(document), "made.yaml")
    profile = load(path)
    program = programs.unpack(compile_profile(path))
    assert program.draws == profile.program().draws
    assert programs.numbers(program) == programs.numbers(profile.program())
    assert program.name == document["profile"]
