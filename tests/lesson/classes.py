"""Class files for tests: text from parts, written beside each other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml


def small(**changes: Any) -> dict[str, Any]:
    """Two groups, two vehicles, two boxes, two kits, three faults; `changes` replace keys, None removes."""
    made: dict[str, Any] = {
        "class": "small",
        "time": "3 h",
        "groups": ["a", "b"],
        "vehicles": [
            {"name": "one", "vehicle": "vehicle-1", "splices": ["body", "radio", "tailgate"]},
            {"name": "two", "vehicle": "vehicle-2", "splices": ["gateway", "amplifier"]},
        ],
        "boxes": [{"box": "A", "board": "bench-12v"}, {"box": "B", "board": "bench-12v"}],
        "kits": [{"kit": "K1", "instruments": "workshop"}, {"kit": "K2", "instruments": "workshop"}],
        "faults": ["sleepless-module", "glovebox-lamp", "radio-keepalive"],
    }
    made.update(changes)
    return {key: value for key, value in made.items() if value is not None}


def write(folder: Path, document: dict[str, Any], name: str = "class.yaml") -> Path:
    """The document as a YAML file."""
    path = folder / name
    path.write_text(yaml.safe_dump(document, sort_keys=False))
    return path
