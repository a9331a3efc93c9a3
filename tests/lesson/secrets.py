"""What gives an answer away, searched for in every byte of files: unpacked where they are packed."""

from __future__ import annotations

import re
import zipfile
from io import BytesIO
from pathlib import Path

import pypdf
from nightdraw.lesson.fitting import played
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.profile.model import Pulse, Random
from nightdraw.profile.quantities import show_ticks, show_ua


def of(plan: Plan, one: Assignment) -> dict[str, list[str]]:
    """Words of an assignment that no student's file may have, by what they give away."""
    profile = played(plan, one)
    levels, times = [], []
    for draw in profile.draws:
        levels.append(show_ua(draw.peak_ua()))
        if isinstance(draw, Pulse):
            times += [show_ticks(draw.on_ticks), show_ticks(draw.every_ticks)]
        elif isinstance(draw, Random):
            times += [show_ticks(ticks) for ticks in (*draw.on_ticks, *draw.gap_ticks)]
    spelt = [text for level in levels for text in (level, level.replace(" ", ""))]
    # A splice is named after what hangs there, which a customer may name as well: what counts is the pair.
    return {
        "profile": [profile.name],
        "splice": [f"@{one.splice}", f"splice {one.splice}", f'"{one.splice}"'],
        "levels": spelt,
        "times": [text for time in times for text in (time, time.replace(" ", ""))],
        "seed": [f"seed {one.seed}", f'"seed": {one.seed}'],
        "about": [" ".join(profile.about.split())[:40]],
    }


def unpacked(path: Path) -> str:
    """Everything that a file says: its bytes, and what its streams hold; its name too."""
    content = path.read_bytes()
    parts = [path.name, content.decode("latin-1")]
    if not content.isascii():
        parts += [content.decode("utf-8", "ignore"), content.decode("utf-16-le", "ignore")]
    if content.startswith(b"%PDF"):
        reader = pypdf.PdfReader(BytesIO(content))
        parts += [page.extract_text() for page in reader.pages]
        parts.append(str(dict(reader.metadata or {})))
        for page in reader.pages:
            stream = page.get_contents()
            parts.append(stream.get_data().decode("latin-1") if stream is not None else "")
    elif content.startswith(b"PK"):
        with zipfile.ZipFile(BytesIO(content)) as packed:
            for name in packed.namelist():
                parts += [name, packed.read(name).decode("latin-1")]
    elif content.startswith(b"PAR1"):
        import pyarrow.parquet as pq

        found = pq.read_table(path)
        parts += [str(found.schema), str(pq.read_metadata(path).metadata)]
    return "\n".join(parts)


def told(text: str, secrets: dict[str, list[str]]) -> list[tuple[str, str]]:
    """Which of the secrets stand in a text, as words of their own."""
    text = text.lower()
    return [
        (what, word)
        for what, words in secrets.items()
        for word in dict.fromkeys(words)
        if word.lower() in text and re.search(rf"(?<![\w.]){re.escape(word.lower())}(?!\w)", text)
    ]
