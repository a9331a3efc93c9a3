"""How a card looks: as plain text, and as one HTML file that prints on A4 and needs nothing else.

No facts about profiles live here; whatever comes in is escaped.
"""

from __future__ import annotations

import html
import textwrap

from nightdraw.profile.card import Card

TEXT_WIDTH = 96

_STYLE = """
@page { size: A4 portrait; margin: 14mm 16mm; }
body { font: 9.5pt/1.35 "Liberation Sans", Arial, sans-serif; color: #000; background: #fff;
       max-width: 178mm; margin: 0 auto; }
h1 { font-size: 15pt; margin: 0 0 3mm; border-bottom: 0.6mm solid #000; padding-bottom: 1.5mm; }
section { break-inside: avoid; margin: 0 0 3mm; }
h2 { font-size: 10.5pt; margin: 0 0 0.8mm; }
p { margin: 0 0 0.8mm; white-space: pre-wrap; }
p.blank { margin: 0 0 2.4mm; overflow-wrap: anywhere; }
ul { margin: 0 0 0.8mm; padding-left: 5mm; }
@media screen { body { padding: 10mm; } }
"""


def as_text(card: Card) -> str:
    """The card as lines of at most TEXT_WIDTH characters."""
    lines = [card.title, "=" * len(card.title)]
    for section in card.sections:
        lines += ["", section.heading, "-" * len(section.heading)]
        for line in section.text.split("\n"):
            lines += _wrapped(line)
    return "\n".join(lines)


def _wrapped(line: str) -> list[str]:
    if "___" in line:
        return ["", line]
    indent = "  " if line.startswith("- ") else "   " if line[:2].rstrip(".").isdigit() else ""
    return textwrap.wrap(line, TEXT_WIDTH, subsequent_indent=indent, break_on_hyphens=False)


def as_html(card: Card) -> str:
    """The card as one HTML document without scripts or outside resources."""
    title = html.escape(card.title)
    sections = "\n".join(
        f"<section>\n<h2>{html.escape(section.heading)}</h2>\n{_body(section.text)}\n</section>"
        for section in card.sections
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n"
        f"<style>{_STYLE}</style>\n</head>\n<body>\n<h1>{title}</h1>\n{sections}\n</body>\n</html>\n"
    )


def _body(text: str) -> str:
    """Paragraphs, and lists for lines that begin with `- `."""
    parts: list[str] = []
    for line in text.split("\n"):
        if line.startswith("- "):
            item = f"<li>{html.escape(line[2:])}</li>"
            if parts and parts[-1].startswith("<ul>"):
                parts[-1] = parts[-1].removesuffix("</ul>") + item + "</ul>"
            else:
                parts.append(f"<ul>{item}</ul>")
        elif "___" in line:
            parts.append(f'<p class="blank">{html.escape(line)}</p>')
        else:
            parts.append(f"<p>{html.escape(line)}</p>")
    return "\n".join(parts)
