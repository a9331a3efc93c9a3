"""A run over several workers: what takes longest comes first, the rest as it was."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import pytest

from tests import conftest


@dataclass(frozen=True)
class Item:
    """As much of a test as the order asks for."""

    nodeid: str
    campaign: bool = False

    @property
    def path(self) -> Path:
        return Path(self.nodeid.partition("::")[0])

    def get_closest_marker(self, name: str) -> str | None:
        return name if self.campaign and name == "campaign" else None


def test_the_longest_come_first_then_files_with_campaigns_each_whole() -> None:
    longest = ["tests/emulated/d.py::one", "tests/test_mutants.py::one"]
    names = ["a.py::one", "b.py::one", "b.py::two", "c.py::one", *longest, "e.py::one"]
    items = [Item(name, campaign=name in ("b.py::two", "e.py::one")) for name in names]
    conftest._longest_first(cast(list[pytest.Item], cast(Any, items)))
    assert [item.nodeid for item in items] == [
        *longest, "b.py::one", "b.py::two", "e.py::one", "a.py::one", "c.py::one",
    ]  # fmt: skip
