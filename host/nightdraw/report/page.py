"""A chart as one HTML page that opens from a file: data, style and script inside, nothing from outside.

The page's own policy lets no script run but page.js, by its hash, and lets nothing be fetched; names out of
files reach it as data or escaped. page.js draws; page.css has the colours.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from itertools import islice
from pathlib import Path

import numpy as np

from nightdraw import outputs
from nightdraw.errors import printable
from nightdraw.report.chart import STEPS_S, Band, Chart, Histogram, Strip, duration_text
from nightdraw.report.envelope import Floats

MOST_ROWS = 500  # pulses in the table
BAR_WIDTH, BAR_HEIGHT = 320, 90

KEYS = (
    ("left, right", "move"),
    ("+, -", "zoom"),
    ("0", "the whole recording"),
    ("n, p", "next and previous pulse"),
    ("v", "vertical range: usual, everything, this view"),
)


def write(path: Path, chart: Chart) -> None:
    """Write the page; raises InputError where that can't be done."""
    outputs.write(path, page(chart).encode())


def page(chart: Chart) -> str:
    """The page's text."""
    style, script = (Path(__file__).with_name(name).read_text("utf-8") for name in ("page.css", "page.js"))
    policy = f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'"
    title = _text(chart.title)
    return "\n".join(
        (
            '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="color-scheme" content="light dark">',
            f"<title>{title}</title>\n<style>{style}</style>\n</head>\n<body>",
            f"<header><h1>{title}</h1><p>{_text(chart.note)}</p></header>",
            _chart(chart),
            _facts(chart),
            _table(chart),
            f'<script type="application/json" id="data">{_data(chart)}</script>',
            f"<script>{script}</script>\n</body>\n</html>\n",
        )
    )


def _text(text: str) -> str:
    """Text out of files as a page may be given it."""
    return html.escape(printable(text))


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _chart(chart: Chart) -> str:
    keys = "; ".join(f"<kbd>{key}</kbd> {what}" for key, what in KEYS)
    buttons: tuple[tuple[str, str], ...] = (("out", "Zoom out"), ("in", "Zoom in"), ("whole", "Whole"))
    buttons += (("previous", "Previous pulse"), ("next", "Next pulse")) if chart.pulses else ()
    names = _text(", ".join(strip.name for strip in chart.strips))
    return (
        '<main>\n<div class="tools" role="toolbar" aria-label="View">'
        + "".join(f'<button type="button" id="{key}">{word}</button>' for key, word in buttons)
        + '<label>Height <select id="height"><option value="usual">usual</option>'
        '<option value="all">everything</option><option value="view">this view</option></select></label>'
        '<output id="view" aria-live="polite"></output></div>\n'
        '<canvas id="overview" aria-hidden="true"></canvas>\n'
        f'<div id="plot" role="application" tabindex="0" aria-label="Recording over time: {names}" '
        'aria-describedby="keys"><canvas aria-hidden="true"></canvas></div>\n'
        f'<p id="keys">Wheel or two fingers zoom, drag moves, a drag with Shift shows what it spans. {keys}.'
        + (" Green bars mark pulses, the dashed line is the base beneath them." if chart.pulses else "")
        + "</p>\n</main>"
    )


def _facts(chart: Chart) -> str:
    rows = "".join(f"<div><dt>{_text(name)}</dt><dd>{_text(value)}</dd></div>" for name, value in chart.facts)
    bars = "".join(_bars(found) for found in chart.histograms)
    return f'<section class="facts" aria-label="Figures"><dl>{rows}</dl>{bars}</section>' if rows else ""


def _bars(found: Histogram) -> str:
    """A histogram as a drawing that takes the page's colours."""
    wide, up = BAR_WIDTH / len(found.counts), BAR_HEIGHT / max(float(found.counts.max()), 1.0)
    bars = "".join(
        f'<rect x="{k * wide:.2f}" y="{BAR_HEIGHT - count * up:.2f}" width="{max(wide - 1, 1):.2f}" '
        f'height="{count * up:.2f}"/>'
        for k, count in enumerate(found.counts)
        if count
    )
    left, right = duration_text(float(found.edges[0])), duration_text(float(found.edges[-1]))
    words = f"{found.title}, {found.text}"
    return (
        f"<figure><figcaption><b>{html.escape(found.title)}</b> {html.escape(found.text)}</figcaption>"
        f'<svg viewBox="0 0 {BAR_WIDTH} {BAR_HEIGHT + 16}" role="img" aria-label="{html.escape(words)}">'
        f'{bars}<path d="M0 {BAR_HEIGHT}H{BAR_WIDTH}"/><text y="{BAR_HEIGHT + 13}">{left}</text>'
        f'<text x="{BAR_WIDTH}" y="{BAR_HEIGHT + 13}" text-anchor="end">{right}</text></svg>'
        "</figure>"
    )


def _table(chart: Chart) -> str:
    if not chart.pulses:
        return ""
    unit = chart.strips[0].unit
    cells = ((f"{p.start_s:.4f}", f"{1e3 * p.duration_s:.2f}", f"{p.level:.2f}") for p in chart.pulses)
    rows = "".join(f"<tr><td>{'</td><td>'.join(row)}</td></tr>" for row in islice(cells, MOST_ROWS))
    more = f" (the first {MOST_ROWS} of {len(chart.pulses)})" if len(chart.pulses) > MOST_ROWS else ""
    return (
        f"<details><summary>Pulses as a table{more}</summary><table><thead><tr><th>start, s</th>"
        f"<th>duration, ms</th><th>above base, {unit}</th></tr></thead><tbody>{rows}</tbody></table>"
        "</details>"
    )


def _data(chart: Chart) -> str:
    """What page.js draws, as JSON in which no text can end the element that holds it."""
    document = {
        "begin": chart.begin_s,
        "end": chart.end_s,
        "strips": [_strip(strip) for strip in chart.strips],
        "pulses": [[pulse.start_s, pulse.duration_s, pulse.level] for pulse in chart.pulses],
        "events": [(t_s, printable(word)) for t_s, word in chart.events],
        "steps": STEPS_S,
    }
    text = json.dumps(document, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _strip(strip: Strip) -> dict[str, object]:
    return {
        "name": printable(strip.name),
        "unit": strip.unit,
        "reach": strip.reach(),
        "base": strip.base,
        "bands": [_band(band) for band in (strip.band, *strip.details)],
    }


def _band(band: Band) -> dict[str, object]:
    return {
        "begin": band.begin_s,
        "width": band.width_s,
        "gap": band.gap_columns(),
        "low": _packed(band.low),
        "high": None if np.array_equal(band.low, band.high, equal_nan=True) else _packed(band.high),
    }


def _packed(values: Floats) -> str:
    """Numbers as base64 of little-endian single precision: a millionth of a value is finer than any clamp."""
    return base64.b64encode(values.astype("<f4").tobytes()).decode()
