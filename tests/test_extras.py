"""A light installation: what the base does without the large packages, and how it asks for them.

Packages are taken away from processes and tests by the import system itself, as if they had never been
installed; .ci/run does the same with a wheel in an empty environment.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from nightdraw import extras
from nightdraw.bench import tables
from nightdraw.capture.read import open_recording
from nightdraw.errors import InputError

from tests import tidy

LIGHT = f"""
import sys
sys.modules.update(dict.fromkeys({list(extras.EXTRAS)!r}))
from nightdraw.cli.main import main
main(sys.argv[1:])
"""
LIMIT_S = 120
PROFILE = """\
profile: light
start: {when: power}
draws:
  - steady: 40 mA
  - pulse: {draw: 350 mA, on: 700 ms, every: 10 s, first: 5 s}
"""


@pytest.fixture
def light(monkeypatch: pytest.MonkeyPatch) -> None:
    """This process without the packages of the extras."""
    for name in extras.EXTRAS:
        monkeypatch.setitem(sys.modules, name, None)


def run(folder: Path, *words: str, status: int = 0) -> subprocess.CompletedProcess[str]:
    """A command of a light installation."""
    done = subprocess.run(
        [sys.executable, "-c", LIGHT, *words],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )
    assert done.returncode == status, f"{words}: {done.returncode}\n{done.stdout[-900:]}{done.stderr[-900:]}"
    return done


def test_the_base_compiles_plays_and_compares(tmp_path: Path) -> None:
    (tmp_path / "light.yaml").write_text(PROFILE, "utf-8")
    run(tmp_path, "profile", "check", "light.yaml")
    run(tmp_path, "profile", "figures", "light.yaml", "--vehicle", "vehicle-1")
    run(tmp_path, "profile", "card", "light.yaml", "--key", "--out", "key.html")
    run(tmp_path, "profile", "pack", "light.yaml", "--out", "light.bin")
    run(tmp_path, "bench", "record", "light.yaml", "--for", "1min", "--out", "seen.csv")
    run(tmp_path, "bench", "meter", "light.yaml", "--for", "20s")
    measured = json.loads(run(tmp_path, "capture", "pulses", "seen.csv", "--json").stdout)
    assert len(measured["pulses"]) == 6
    words = ["--profile", "light.yaml", "--journal", "seen.journal.jsonl", "--recording", "seen.csv"]
    assert json.loads(run(tmp_path, "capture", "compare", *words, "--json").stdout)["agree"] is True
    assert "none" not in run(tmp_path, "box", "files", "board").stderr
    assert (tmp_path / "board" / "SHA256SUMS").exists()


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("report", "bench view light.yaml --out light.png"),
        ("report", "capture plot seen.csv --out seen.png"),
        ("bench", "capture pulses dated.csv"),
        ("bench", "capture pulses gaps.csv"),
        ("bench", "capture culprit seen.csv"),
        (
            "bench",
            "bench record light.yaml --for 1s --out light.parquet --format parquet --vehicle vehicle-1",
        ),
        ("hardware", "bank size --levels 40mA"),
        ("hardware", "bank heat bench-12v"),
        ("hardware", "bank check bench-12v"),
        ("hardware", "bank wiring bench-12v"),
        ("hardware", "bank draw bench-12v --out drawn"),
    ],
)
def test_what_the_base_lacks_is_told_with_the_command_that_brings_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, extra: str, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("light.yaml").write_text(PROFILE, "utf-8")
    rows = [f"{k / 100:.2f},{0.04 + 0.35 * (k % 500 < 70):.3f}" for k in range(3000)]
    Path("seen.csv").write_text("\n".join(["time_s,current_a", *rows, ""]), "utf-8")
    gaps = [row if k % 100 else row.split(",")[0] + "," for k, row in enumerate(rows, 7)]
    Path("gaps.csv").write_text("\n".join(["time_s,current_a", *gaps, ""]), "utf-8")
    dated = [f"2027-03-04 10:00:{k / 100:05.2f},0.04" for k in range(3000)]
    Path("dated.csv").write_text("\n".join(["time,current_a", *dated, ""]), "utf-8")
    parts = words.split()
    if "--vehicle" in parts:
        parts.remove("light.yaml")
    done = run(tmp_path, *parts, status=2)  # a process of its own: in this one results are kept
    assert f'pip install "nightdraw[{extra}]"' in done.stderr


def read(path: Path) -> list[np.ndarray]:
    """The seconds and the values of a recording."""
    return [np.concatenate(columns) for columns in zip(*open_recording(path).blocks(), strict=True)]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("points", "time_s,current_a\n{rows}"),
        ("commas", "time (s);current (mA)\n{commas}"),
        ("blanks", "# by a recorder\ntime_s current_a\n{blanks}"),
    ],
    ids=["points", "commas", "blanks"],
)
def test_plain_numbers_read_the_same_without_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int, name: str, text: str
) -> None:
    random = np.random.default_rng(seed)
    numbers = [(k / 1000, float(random.normal(0, 10.0 ** random.integers(-5, 3)))) for k in range(400)]
    rows = "\n".join(f"{t:.3f},{i!r}" for t, i in numbers) + "\n"
    commas = "\n".join(f"{t:.3f};{i:.7f}".replace(".", ",") for t, i in numbers) + "\n"
    path = tmp_path / f"{name}.csv"
    path.write_text(text.format(rows=rows, commas=commas, blanks=rows.replace(",", "  ")), "utf-8")
    whole = read(path)
    for module in extras.EXTRAS:
        monkeypatch.setitem(sys.modules, module, None)
    plain = read(path)
    assert all(np.array_equal(one, other) for one, other in zip(whole, plain, strict=True))


@pytest.mark.parametrize(
    ("row", "told"),
    [("0.100,abc", "'abc' is not a number"), ("0.100,0.04,7", "3 cells, the rows above have 2")],
)
def test_a_wrong_cell_is_named_in_a_light_installation_too(
    tmp_path: Path, light: None, row: str, told: str
) -> None:
    rows = [f"{k / 1000:.3f},0.04" for k in range(200)]
    path = tmp_path / "wrong.csv"
    path.write_text("\n".join(["time_s,current_a", *rows[:100], row, *rows[101:], ""]), "utf-8")
    with pytest.raises(InputError, match=told) as refused:
        read(path)
    assert refused.value.findings[0].line == 102


def test_the_table_is_written_to_the_byte_as_with_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    random = np.random.default_rng(seed)
    times_s = np.arange(2000) / 1000
    rounded = random.normal(0, 1, 2000).round(6) + 0.0  # as a recorder's steps are
    free = random.choice([-1, 1], 2000) * 10.0 ** random.uniform(-6, 10, 2000)
    written = []
    for name in ("package", "light"):
        if name == "light":
            monkeypatch.setitem(sys.modules, "pyarrow", None)
        with tables.TableFile(tmp_path / name, ("battery_a", "F7_mv")) as table:
            table.write_pieces([(times_s[:700], (rounded[:700], free[:700]))])
            table.write(times_s[700:], rounded[700:], free[700:])
            table.keep()
        written.append((tmp_path / name).read_bytes())
    assert written[0] == written[1]


def declared(extra: str) -> set[str]:
    """The packages of one extra of pyproject.toml."""
    project = tomllib.loads((tidy.TOP / "pyproject.toml").read_text("utf-8"))["project"]
    return {line.split(">")[0].split("=")[0] for line in project["optional-dependencies"][extra]}


def test_the_table_is_that_of_the_declaration() -> None:
    for module, (extra, _) in extras.EXTRAS.items():
        assert module in declared(extra), module
    told = set().union(*(declared(extra) for extra in ("bench", "report", "live", "hardware")))
    assert told == set(extras.EXTRAS)
    for noun, extra in extras.NOUNS.items():
        asked = {found.split(".")[0] for found in imported(tidy.TOP / "host" / "nightdraw" / noun)}
        assert asked & set(extras.EXTRAS) <= declared(extra), noun


def imported(folder: Path) -> set[str]:
    """Every module that the sources below a folder import, anywhere in them."""
    found = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module)
            elif isinstance(node, ast.Import):
                found |= {name.name for name in node.names}
    return found
