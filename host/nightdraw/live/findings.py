"""What a student found: the fields of the sheet's form, and the file that `lesson mark` takes."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from nightdraw import outputs
from nightdraw.bench.control import RefusedError
from nightdraw.lesson.answers import GROUP, MOVES
from nightdraw.lesson.claims import KINDS
from nightdraw.lesson.entries import COLUMNS
from nightdraw.live.asked import Asked
from nightdraw.live.vehicle import LiveVehicle
from nightdraw.report.words import Words

MOST_TEXT = 120  # characters: as the sheet's fields take


def fields(words: Words) -> list[dict[str, Any]]:
    """The form's fields, by the sheet's own texts."""
    found = []
    for name in COLUMNS:
        hint = words(f"sheet.hint.{name}") if words.has(f"sheet.hint.{name}") else ""
        choices = list(KINDS) if name == "kind" else []
        found.append({"name": name, "label": words(f"sheet.ask.{name}"), "hint": hint, "choices": choices})
    return found


def take(live: LiveVehicle, asked: Asked) -> None:
    """Take `texts`, an answer's texts by the form's names; raises RefusedError."""
    texts = asked.get("texts")
    if not isinstance(texts, dict) or not set(texts) <= set(COLUMNS) or not all(map(_fits, texts.values())):
        raise RefusedError(live.words("no.answer", known=", ".join(COLUMNS), most=MOST_TEXT))
    live.answer = {name: texts.get(name, "").strip() for name in COLUMNS}


def _fits(text: object) -> bool:
    return isinstance(text, str) and len(text) <= MOST_TEXT


def document(live: LiveVehicle) -> dict[str, Any]:
    """The answer's file: what was found, and what was done until then."""
    return {
        GROUP: live.case.group or "",
        "lesson": live.case.lesson or "",
        **(live.answer or dict.fromkeys(COLUMNS, "")),
        "saved": datetime.now(UTC).isoformat(timespec="seconds"),
        MOVES: list(live.log),
    }


def text(live: LiveVehicle) -> str:
    """The same as text."""
    return json.dumps(document(live), indent=1) + "\n"


def keep(live: LiveVehicle, folder: Path, place: int) -> Path:
    """Write it into a folder; `place`: which of the group's students it is, from 1. Raises InputError."""
    outputs.make_folder(folder)
    path = folder / f"answer-{live.case.group or 'nobody'}{'' if place == 1 else f'-{place}'}.json"
    outputs.write(path, text(live).encode())
    return path
