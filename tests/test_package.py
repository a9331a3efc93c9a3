"""The wheel and the sdist carry everything, and every way to install finds the same code and data."""

from __future__ import annotations

import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from email import message_from_string
from importlib.metadata import packages_distributions
from pathlib import Path

import boxcore
import nightdraw
import pytest
from nightdraw import data

from tests import tidy
from tests.tidy import TOP

PACKAGES = {"nightdraw": TOP / "host" / "nightdraw", "boxcore": TOP / "firmware" / "boxcore"}
DATA = {"nightdraw/data/profiles": TOP / "profiles", "nightdraw/data/hardware": TOP / "hardware"}
BUILD_LIMIT_S = 120


def files(folder: Path) -> set[str]:
    """The paths of all files below a folder that are sources, not what a tool left behind."""
    paths = (path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    return {
        path.as_posix() for path in paths if not any(p.startswith((".", "__pycache__")) for p in path.parts)
    }


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with the sdist, and with the wheel that was built from it."""
    folder = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(TOP)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=BUILD_LIMIT_S, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@pytest.fixture(scope="module")
def wheel(built: Path) -> zipfile.ZipFile:
    """The wheel, open."""
    (path,) = built.glob("*.whl")
    return zipfile.ZipFile(path)


def test_the_wheel_carries_both_packages_and_all_data(wheel: zipfile.ZipFile) -> None:
    expected = {f"{name}/{file}" for name, folder in (PACKAGES | DATA).items() for file in files(folder)}
    expected |= {f"nightdraw/data/firmware/{name}" for name in ("main.py", "update.py")}
    carried = {name for name in wheel.namelist() if ".dist-info/" not in name and not name.endswith("/")}
    assert carried == expected


def test_the_wheel_has_the_one_version_and_the_command(wheel: zipfile.ZipFile) -> None:
    (info,) = {name.split("/")[0] for name in wheel.namelist() if ".dist-info/" in name}
    about = message_from_string(wheel.read(f"{info}/METADATA").decode())
    assert about["Version"] == boxcore.__version__ == nightdraw.__version__
    assert about["License-Expression"] == "MIT"
    assert "nightdraw = nightdraw.cli.main:main" in wheel.read(f"{info}/entry_points.txt").decode()


def test_the_sdist_carries_what_a_developer_needs(built: Path) -> None:
    (path,) = built.glob("*.tar.gz")
    with tarfile.open(path) as archive:
        carried = {name.split("/", 1)[1] for name in archive.getnames() if "/" in name}
    for folder in ("firmware", "host", "profiles", "hardware", "tests"):
        missing = {f"{folder}/{file}" for file in files(TOP / folder)} - carried
        assert missing == set()
    tops = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "run.py"}
    assert tops <= carried


def test_an_installed_package_finds_its_data_in_itself(wheel: zipfile.ZipFile, tmp_path: Path) -> None:
    wheel.extractall(tmp_path)
    code = (
        "import nightdraw, boxcore; from nightdraw import data\n"
        "print(nightdraw.__file__, boxcore.__file__, data.board_path(), *data.profile_paths(), sep='\\n')"
    )
    done = subprocess.run(
        [sys.executable, "-I", "-c", f"import sys; sys.path.insert(0, {str(tmp_path)!r})\n{code}"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    found = [Path(line) for line in done.stdout.splitlines()]
    assert all(tmp_path in path.parents for path in found)
    assert len(found) == 3 + len(data.profile_paths())


def test_the_sources_are_found_by_an_editable_install() -> None:
    assert data.folder(data.PROFILES, PACKAGES["nightdraw"]) == TOP / "profiles"
    assert data.folder(data.HARDWARE, PACKAGES["nightdraw"]) == TOP / "hardware"


# Modules that the board has of itself; firmware and what stands in for it import them.
BOARD_MODULES = {"machine", "micropython", "rp2", "uctypes", "vfs"}
OURS = {path.stem for path in tidy.paths()} | {"boxcore", "nightdraw", "tests", "fake_board"}
OWNERS = packages_distributions()  # which installed package a module comes from
KNOWN = OURS | BOARD_MODULES | set(sys.stdlib_module_names)


def normal(name: str) -> str:
    """A package's name as registries compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def declared(*extras: str) -> set[str]:
    """The names of the packages that pyproject.toml asks for, by extras that ask for others in turn."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
    names, lines = set(), list(project["dependencies"])
    waiting = list(extras)
    while waiting:
        lines += project["optional-dependencies"][waiting.pop()]
        own = [line for line in lines if line.startswith("nightdraw[")]
        lines = [line for line in lines if line not in own]
        waiting += [extra for line in own for extra in line[len("nightdraw[") : -1].split(",")]
    names |= {normal(re.split(r"[^\w.-]", line)[0]) for line in lines}
    return names


@pytest.mark.parametrize(("folder", "extras"), [("host", ("all",)), ("firmware", ()), ("tests", ("test",))])
def test_every_package_that_is_imported_is_asked_for(folder: str, extras: tuple[str, ...]) -> None:
    missing, asked_for = set(), declared(*extras)
    for source in tidy.sources(folder):
        for found in source.imports:
            root = found.module.split(".")[0]
            names = {normal(name) for name in OWNERS.get(root, [root])}
            if root and root not in KNOWN and not names & asked_for:
                missing.add((source.path, root))
    assert missing == set()
