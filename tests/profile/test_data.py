"""Shipped data is found in an installed package first, in the source tree second."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.errors import InputError


def test_the_package_comes_first(tmp_path: Path) -> None:
    package = tmp_path / "host" / "nightdraw"
    inside = package / "data" / "profiles"
    beside = tmp_path / "profiles"
    beside.mkdir(parents=True)
    package.mkdir(parents=True)
    assert data.folder("profiles", package) == beside
    inside.mkdir(parents=True)
    assert data.folder("profiles", package) == inside


def test_an_installation_without_data_says_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="install nightdraw again"):
        data.folder("hardware", tmp_path / "a" / "nightdraw")


def test_what_ships_is_there() -> None:
    assert data.board_path().is_file()
    assert len(data.profile_paths()) >= 8
    assert data.profile_path("sleepless-module") in data.profile_paths()
