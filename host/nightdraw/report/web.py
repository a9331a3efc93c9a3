"""A handout in a browser: one HTML file with style, pictures and, where it is a form, its script inside.

The page's own policy lets nothing be fetched and no script run but handout.js, by its hash. It prints too.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from nightdraw.errors import printable
from nightdraw.report import handout as ho

PRINTED = {ho.A4: "A4", ho.LETTER: "letter"}
UNITS = ("current", "duration", "interval")  # fields whose answer needs a unit
FIGURE = ' class="figure"'
LABEL = '<text x="8" y="16" font-size="12">{}</text>'


def page(handout: ho.Handout, paper: str = ho.A4) -> str:
    """The handout's page; paper: what it prints on."""
    style = _file("handout.css").replace("size: A4", f"size: {PRINTED[paper]}")
    script = _file("handout.js")
    policy = f"default-src 'none'; img-src data:; style-src '{_hash(style)}'"
    body = "\n".join(_blocks(handout.blocks, handout.form is not None))
    if handout.form is not None:
        policy += f"; script-src '{_hash(script)}'"
        body = _form(handout.form, body, script)
    badge = f'<div class="badge">{_text(handout.badge)}</div>' if handout.badge else ""
    foot = f"<footer>{_text(handout.foot)}</footer>" if handout.foot else ""
    return (
        f'<!DOCTYPE html>\n<html lang="{_text(handout.language)}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(handout.title)} {_text(handout.badge)}</title>\n"
        f"<style>{style}</style>\n</head>\n<body>\n"
        f"<header><div><h1>{_text(handout.title)}</h1><p>{_text(handout.subtitle)}</p></div>{badge}</header>\n"
        f"<main>\n{body}\n</main>\n{foot}\n</body>\n</html>\n"
    )


def _file(name: str) -> str:
    return Path(__file__).with_name(name).read_text("utf-8")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _text(text: str) -> str:
    return html.escape(printable(text))


def _form(form: ho.Form, body: str, script: str) -> str:
    texts = {"saved": form.saved, "unsaved": form.unsaved, "unit": form.unit}
    values = {"name": form.name, "fixed": dict(form.fixed), **texts}
    data = json.dumps(values).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return (
        f'<form autocomplete="off">\n{body}\n'
        f'<div class="save"><button type="submit">{_text(form.save)}</button>'
        '<output id="status" aria-live="polite"></output></div>\n</form>\n'
        f'<script type="application/json" id="told">{data}</script>\n<script>{script}</script>'
    )


def _blocks(blocks: Iterable[ho.Block], is_form: bool) -> Iterable[str]:
    for section in ho.sections(blocks):
        yield "<section>"
        for block in section:
            yield _table(block, is_form) if isinstance(block, ho.Table) else _MAKERS[type(block)](block)
        yield "</section>"


def _items(items: Iterable[str]) -> str:
    return "".join(f"<li>{_text(item)}</li>" for item in items)


def _caution(block: ho.Caution) -> str:
    title, items = _text(block.title), _items(block.items)
    return f'<div class="caution" role="note"><strong>{title}</strong><ul class="two">{items}</ul></div>'


def _facts(block: ho.Facts) -> str:
    rows = "".join(f"<div><dt>{_text(n)}</dt><dd>{_text(v)}</dd></div>" for n, v in block.rows)
    return f'<dl class="pairs">{rows}</dl>' if block.columns > 1 else f"<dl>{rows}</dl>"


def _bullets(block: ho.Bullets) -> str:
    two = " two" if block.columns > 1 else ""
    return f'<ul class="bullets{two}">{_items(block.items)}</ul>'


def _picture(block: ho.Picture) -> str:
    data = base64.b64encode(block.png).decode()
    return f'<figure><img src="data:image/png;base64,{data}" alt="{_text(block.alt)}"></figure>'


def _blank(block: ho.Blank) -> str:
    """Room on paper; on a screen one draws elsewhere, so it is only told."""
    label = _text(block.label)
    size = f'width="100%" height="{block.height_mm:g}mm"'
    return f'<svg class="blank" {size} role="img" aria-label="{label}">{LABEL.format(label)}</svg>'


def _table(block: ho.Table, is_form: bool) -> str:
    head = "".join(
        f'<th scope="col"{FIGURE if k in block.right else ""}>{_text(cell)}</th>'
        for k, cell in enumerate(block.head)
    )
    thead = f"<thead><tr>{head}</tr></thead>" if block.head else ""
    rows = "".join(_row(row, block, is_form) for row in block.rows)
    total = sum(block.widths)
    columns = "".join(f'<col width="{100 * width / total:.4g}%">' for width in block.widths)
    fill = " fill" if any(isinstance(cell, ho.Field) for row in block.rows for cell in row) else ""
    return f'<table class="stack{fill}"><colgroup>{columns}</colgroup>{thead}<tbody>{rows}</tbody></table>'


def _row(row: tuple[ho.Cell, ...], block: ho.Table, is_form: bool) -> str:
    cells = []
    for k, cell in enumerate(row):
        label = f' data-label="{_text(block.head[k])}"' if block.head and k and block.head[k] else ""
        figure = FIGURE if k in block.right else ""
        inside = _field(cell, is_form) if isinstance(cell, ho.Field) else _text(cell)
        cells.append(f"<td{figure}{label}>{inside}</td>")
    return f"<tr>{''.join(cells)}</tr>"


def _field(field: ho.Field, is_form: bool) -> str:
    name, label, hint = _text(field.name), _text(field.label), _text(field.hint)
    if not is_form:
        return ""
    words = f'name="{name}" aria-label="{label}"'
    if field.choices:
        options = "".join(f'<option value="{_text(c)}">{_text(name)}</option>' for c, name in field.choices)
        ticks = "".join(f"<span>[&nbsp;&nbsp;&nbsp;] {_text(name)}</span>" for _, name in field.choices)
        chosen = f'<select {words}><option value=""></option>{options}</select>'
        return f'{chosen}<span class="ticks" aria-hidden="true">{ticks}</span>'
    unit = ' data-unit="yes"' if field.name in UNITS else ""
    return (
        f'<input type="text" {words}{unit} placeholder="{hint}" maxlength="120" '
        f'aria-describedby="said-{name}">'
        f'<span class="said" id="said-{name}" role="status"></span>'
    )


_MAKERS: dict[type, Callable[[Any], str]] = {
    ho.Heading: lambda block: f"<h2>{_text(block.text)}</h2>",
    ho.Text: lambda block: f'<p class="{block.style}">{_text(block.text)}</p>',
    ho.Bullets: _bullets,
    ho.Facts: _facts,
    ho.Caution: _caution,
    ho.Blank: _blank,
    ho.Picture: _picture,
}
