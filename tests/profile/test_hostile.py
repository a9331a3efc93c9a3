"""Wrong profiles: each kind of mistake at its exact line and column, all of a file's mistakes at once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.board import load_board
from nightdraw.errors import InputError
from nightdraw.profile import compile_profile, load, table

from tests.profile.made import HEAD, documents, dump, findings, found, write

KINDS = ", ".join(kind.key for kind in table.KINDS)

GOOD = HEAD + "  - steady: 40 mA\n"
PULSE = HEAD + "  - pulse: {draw: 50 mA, on: 1 s, every: 9 s}\n"


def marks(text: str) -> list[tuple[int, int]]:
    """Line and column, from 1, of what follows each `^`, the marks themselves not counted."""
    return [
        (number, match.start() - n + 1)
        for number, line in enumerate(text.split("\n"), 1)
        for n, match in enumerate(re.finditer(r"\^", line))
    ]


@pytest.mark.parametrize("text", [GOOD, PULSE, "profile: a\ndraws: [steady: 40 mA]\n"])
def test_the_good_ones_that_the_wrong_ones_are_made_from(tmp_path: Path, text: str) -> None:
    assert found(write(tmp_path, text)) == []


@pytest.mark.parametrize(
    ("marked", "said"),
    [
        ("^[]\n", "must be a mapping"),
        ("^just text\n", "must be a mapping"),
        ("^profile: a\n", "lacks the key 'draws'"),
        ("^draws: [steady: 40 mA]\n", "lacks the key 'profile'"),
        (GOOD + "^strat: {when: power}\n", "unknown key 'strat'"),
        (GOOD + "^profile: b\n", "stands twice"),
        (GOOD + "^start: {when: panel}\n", "stands twice"),
        (GOOD + "seed:^\n", "must have a value"),
        (GOOD + "limits:^\n", "limits must be a mapping"),
        (GOOD + "limits: {^supply_mn: 12 V}\n", "unknown key 'supply_mn'"),
        (GOOD.replace("profile: a", "profile: ^Restless"), "'Restless' is not a name of small letters"),
        (GOOD.replace("profile: a", "profile: ^" + "a" * 33), "is not a name"),
        (GOOD.replace("profile: a", "profile: ^[a]"), "not a list"),
        (GOOD + "about: ^'" + "x" * 4001 + "'\n", "at most 4000 characters"),
        (GOOD + "complaint: ^'" + "x" * 601 + "'\n", "at most 600 characters"),
        (GOOD + "resume: ^restat\n", "must be one of restart, continue, stay-off"),
        (GOOD + "resume_after: ^3\n", "has no unit"),
        (GOOD + "seed: ^-1\n", "must be a whole number"),
        (GOOD + "seed: ^4294967296\n", "must be a whole number"),
        (GOOD + "seed: ^1.0\n", "must be a whole number"),
        (GOOD + "seed: ^0x10\n", "must be a whole number"),
        (GOOD + "seed: ^" + "9" * 5000 + "\n", "must be a whole number"),
        ("profile: a\nstart: ^power\ndraws: [steady: 40 mA]\n", "start must be a mapping"),
        ("profile: a\nstart: ^{after: 1 s}\ndraws: [steady: 40 mA]\n", "lacks the key 'when'"),
        ("profile: a\nstart: {when: ^rest}\ndraws: [steady: 40 mA]\n", "when must be one of"),
        (
            "profile: a\nstart: ^{when: supply-rest, below: 13 V}\ndraws: [steady: 40 mA]\n",
            "lacks the key 'steady'",
        ),
        (
            "profile: a\nstart: {when: supply-rest, steady: 9 s, below: ^13}\ndraws: [steady: 40 mA]\n",
            "has no unit",
        ),
        (
            "profile: a\nstart: {when: supply-rest, steady: 9 s, below: ^11.8 V}\ndraws: [steady: 40 mA]\n",
            "never starts",
        ),
        (
            "profile: a\nstart: {when: power, ^below: 13 V}\ndraws: [steady: 40 mA]\n",
            "below belongs to when: supply-rest",
        ),
        ("profile: a\nstart: {when: power, after: ^-1 s}\ndraws: [steady: 40 mA]\n", "negative"),
        ("profile: a\nstart: {when: power, after: ^0.5 ms}\ndraws: [steady: 40 mA]\n", "too short"),
        ("profile: a\ndraws: ^[]\n", "1 to 8 draws, not 0"),
        ("profile: a\ndraws: ^steady\n", "draws must be a list"),
        ("profile: a\ndraws: ^{steady: 40 mA}\n", "draws must be a list"),
        ("profile: a\ndraws:\n  ^- steady: 40 mA" + "\n  - steady: 40 mA" * 8 + "\n", "1 to 8 draws, not 9"),
        (HEAD + "  - ^steady\n", f"must be a mapping with the keys {KINDS}"),
        (
            HEAD + "  - ^{steady: 40 mA, pulse: {draw: 9 mA, on: 1 s, every: 2 s}}\n",
            f"must have one of {KINDS}, not 2",
        ),
        (HEAD + "  - ^{}\n", f"must have one of {KINDS}, not none"),
        (HEAD + "  - ^stedy: 40 mA\n", "unknown key 'stedy' in draw 1"),
        (HEAD + "  - steady: ^40\n", "has no unit"),
        (HEAD + "  - steady: ^-40 mA\n", "negative"),
        (HEAD + "  - steady: ^40 V\n", "is a voltage, wanted a current"),
        (HEAD + "  - steady: ^[40 mA]\n", "not a list"),
        (HEAD + "  - pulse: ^40 mA\n", "pulse must be a mapping"),
        (HEAD + "  - pulse: ^{draw: 50 mA, on: 1 s}\n", "lacks the key 'every'"),
        (HEAD + "  - pulse: {draw: ^0 mA, on: 1 s, every: 9 s}\n", "draws nothing"),
        (HEAD + "  - pulse: {draw: 50 mA, on: ^9 s, every: 9 s}\n", "on must be shorter than every"),
        (HEAD + "  - pulse: {draw: 50 mA, on: ^999 us, every: 9 s}\n", "at least 1 ms"),
        (HEAD + "  - pulse: {draw: 50 mA, on: 1 s, every: ^6 d}\n", "at most 4.97 d"),
        (HEAD + "  - pulse: {draw: 50 mA, on: 1 s, every: ^-9 s}\n", "negative"),
        (HEAD + "  - pulse: {draw: 50 mA, on: 1 s, every: 9 s, ^fist: 1 s}\n", "unknown key 'fist'"),
        (HEAD + "  - pulse: {draw: 50 mA, on: ^1 s .. 2 s, every: 9 s}\n", "is a range, wanted one value"),
        (HEAD + "  - random: {draw: 50 mA, on: ^2 s .. 1 s, gap: 1 s .. 2 s}\n", "high end first"),
        (HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: ^9 s, law: uniform}\n", "takes a range"),
        (
            HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: ^1 s .. 9 s, law: exponential}\n",
            "one mean, not the range",
        ),
        (HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: ^15 h, law: exponential}\n", "at most 14.9 h"),
        (HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: 9 s, law: ^poisson}\n", "law must be one of"),
        (HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: ^0 s .. 9 s}\n", "at least 1 ms"),
        (HEAD + "  - replay: ^{repeat: once}\n", "one of levels, file, not none"),
        (HEAD + "  - replay: ^{levels: [[50 mA, 1 s]], file: a.csv}\n", "one of levels, file, not 2"),
        (HEAD + "  - replay: {levels: ^[]}\n", "at least one"),
        (HEAD + "  - replay: {levels: [^[50 mA]]}\n", "must be a pair"),
        (HEAD + "  - replay: {levels: [^50 mA, ^1 s]}\n", "must be a pair"),
        (HEAD + "  - replay: {levels: [[50 mA, 1 s], [^1 s, ^50 mA]]}\n", "is a time, wanted a current"),
        (HEAD + "  - replay: {levels: [[50 mA, 1 s]], repeat: ^0}\n", "or one of once, forever"),
        (HEAD + "  - replay: {levels: [[50 mA, 1 s]], repeat: ^ever}\n", "or one of once, forever"),
        (HEAD + "  - replay: {file: ^none.csv}\n", "there is no file"),
        (GOOD + "limits: {run: ^3}\n", "has no unit"),
        (GOOD + "limits: {run: ^5 d}\n", "must be 1 ms .. 4.97 d"),
        (GOOD + "limits: {charge: ^0 Ah}\n", "must be 0.001 Ah"),
        (GOOD + "limits: {bank_temp: ^-20 C}\n", "must be 1 C"),
        (GOOD + "limits: {supply_min: ^16 V}\n", "must be below supply_max"),
        (GOOD + "limits: {supply_min: ^13 V, supply_max: 12 V}\n", "must be below supply_max"),
        (GOOD + "limits: {supply_min: ^16 V, supply_max: 18 V}\n", "no supply is left"),
        (GOOD + "limits: {supply_min: ^12.6 mA}\n", "is a current, wanted a voltage"),
    ],
)
def test_every_mistake_is_found_at_its_place_and_nothing_else(tmp_path: Path, marked: str, said: str) -> None:
    found_here = found(write(tmp_path, marked.replace("^", "")))
    assert [place[:2] for place in found_here] == marks(marked), found_here
    assert said in found_here[0][2]


def test_all_mistakes_of_a_file_come_at_once_in_order(tmp_path: Path) -> None:
    marked = """\
profile: ^Restless
^abut: x
start: {when: ^supply_rest, below: ^13.0, steady: ^60 sec}
draws:
  - steady: ^4 mA
  - pulse:  {draw: ^3500 mA, on: 700 ms, every: ^75}
  - random: {draw: 50 mA, on: ^900 ms .. 200 ms, gap: 20 s, law: ^unifrom}
  - ^puls: {}
  - replay: {levels: [[120 mA, 2 s], [40 mA, ^-30 s], ^5], repeat: ^ever}
limits: {supply_min: ^11.8, ^suply_max: 16 V}
resume: ^restrat
seed: ^4294967296
"""
    found_here = found(write(tmp_path, marked.replace("^", "")))
    assert [place[:2] for place in found_here] == marks(marked), found_here


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        (GOOD + "strat: {when: power}\n", "did you mean 'start'?"),
        (GOOD + "resume: restat\n", "did you mean 'restart'?"),
        (HEAD + "  - stedy: 40 mA\n", "did you mean 'steady'?"),
        (HEAD + "  - pulse: {draw: 50 mA, on: 1 s, every: 9 s, fist: 1 s}\n", "did you mean 'first'?"),
        (HEAD + "  - steady: 40 ma\n", "did you mean 'mA'?"),
        (HEAD + "  - replay: {levels: [[50 mA, 1 s]], repeat: forver}\n", "did you mean 'forever'?"),
        (GOOD + "zzz: 1\n", "known here: profile, about"),
    ],
)
def test_the_nearest_name_is_the_hint(tmp_path: Path, text: str, hint: str) -> None:
    (finding,) = findings(write(tmp_path, text))
    assert hint in (finding.hint or "")


def test_the_file_is_named_as_it_was_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path, GOOD + "seed: x\n")
    with pytest.raises(InputError) as caught:
        load("./p.yaml")
    assert str(caught.value).startswith("./p.yaml:5:7: ")


def test_a_profile_that_says_nothing_of_supply_plays_on_a_24_v_board(tmp_path: Path) -> None:
    """Its highest supply is then the board's own cap: 16 V, the default, is a 12 V vehicle's."""
    for limits in ("", "limits: {run: 1 h}\n", "limits: {supply_min: 12 V}\n"):
        path = write(tmp_path, f"profile: a\ndraws:\n  - steady: 100 mA\n{limits}")
        board = load_board("workshop-24v")
        held = load(path, board).limits.within(board.caps)
        assert held.supply_max_mv == board.caps["supply_max_mv"]
        assert load(path).limits.supply_max_mv == 16_000


def test_a_wrong_pulse_beside_a_replay_is_an_input_error(tmp_path: Path) -> None:
    text = "profile: a\ndraws:\n  - pulse: {draw: 4 mA, on: 2 ms, every: 2 ms}\n"
    text += "  - replay: {levels: [[0 mA, 1 ms]], repeat: once}\n"
    ((_, _, message),) = [place[:3] for place in found(write(tmp_path, text))]
    assert "on must be shorter than every" in message


def test_a_long_list_of_wrong_draws_ends(tmp_path: Path) -> None:
    text = "profile: a\ndraws:\n" + "  - steady: -1 mA\n" * 50_000
    assert len(found(write(tmp_path, text))) <= 201


def test_a_huge_unknown_key_makes_a_short_message(tmp_path: Path) -> None:
    (finding,) = findings(write(tmp_path, GOOD + f'"{"k" * 900}": 1\n'))
    assert len(finding.text()) < 300
    assert "\x1b" not in finding.text()


TOKENS = st.sampled_from(
    [
        *"[]{}:,-#&*!|>'\"%@`\n\t ",
        "profile",
        "draws",
        "steady",
        "pulse",
        "40 mA",
        "1 s",
        "a",
        "..",
        "file",
        "levels",
    ]
)


@given(st.one_of(st.text(max_size=300), st.lists(TOKENS, max_size=60).map("".join)))
def test_any_text_is_a_profile_or_an_input_error(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = write(tmp_path_factory.getbasetemp(), text.encode("utf-8", "surrogatepass"), "any.yaml")
    places = [place[:2] for place in found(path)]
    assert all(line and column for line, column in places)


@given(documents(), st.data())
def test_a_damaged_profile_is_a_profile_or_an_input_error(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, object], data: st.DataObject
) -> None:
    text = dump(document)
    at = data.draw(st.integers(0, len(text) - 1))
    damage = data.draw(st.sampled_from(["", "0", "-", ":", "x", "\n", " ", "9999999", "[", "\u20ac"]))
    path = write(tmp_path_factory.getbasetemp(), text[:at] + damage + text[at + 1 :], "damaged.yaml")
    if not found(path):
        assert compile_profile(path)
