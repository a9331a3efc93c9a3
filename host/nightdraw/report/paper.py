"""A handout on paper: PDF in A4 or Letter, by reportlab. One page where it can be.

Type is made smaller, within what is read at arm's length, before a second page is begun; that one begins
with a section, where it leaves both pages as full as can be. The same handout gives the same bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from nightdraw import extras
from nightdraw.errors import printable
from nightdraw.report import handout as ho

MARGIN_MM = 13.0
TOP_MM = MARGIN_MM + 14.0  # title, subtitle and rule lie above
FOOT_MM = 8.0
BOTTOM_MM = FOOT_MM + 5.0
SIZES_PT = (9.5, 9.0, 8.5, 8.0)  # body type, the largest that gives one page
TWO_PAGES_PT = (10.5, 10.0, *SIZES_PT)  # with a second page there is room
LEADING = 1.22
GREY, PALE, LINE = "#444444", "#eeeeee", "#999999"
SQUARES_MM = 5.0  # of the room for a drawing
# reportlab calls its fonts F1, F2 inside a file, which are names of fuses: who looks for an answer in the
# bytes must find none, not even by chance. (Of one length: a PDF counts its bytes.)
FONT_NAME = re.compile(rb"/F(\d+)(?= \d+ 0 R| /Subtype| [\d.]+ Tf|\+\d+)")
PLAIN_FONTS = ("Helvetica", "Helvetica-Bold")  # every reader has them; they know Western Europe's letters
MOST_TICKED = 4  # choices that stand side by side
WIDE_FONTS = ("DejaVuSans", "DejaVuSans-Bold")  # matplotlib brings them: Greek, Cyrillic and more


def pdf(page: ho.Handout, paper: str = ho.A4) -> bytes:
    """The handout as PDF; raises InputError where reportlab isn't installed."""
    extras.need("reportlab")  # HTML does without
    for wanted, sizes in ((1, SIZES_PT), (2, TWO_PAGES_PT)):
        for size in sizes:
            content, pages = _built(page, paper, size, halved=wanted == 2)
            if pages == wanted:
                return content
    return _built(page, paper, SIZES_PT[-1])[0]


def _built(page: ho.Handout, paper: str, size: float, halved: bool = False) -> tuple[bytes, int]:
    """The bytes and how many pages they are; halved: the second page begins at a section."""
    from reportlab.lib.units import mm
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    wide, high = (value * mm for value in ho.PAPERS_MM[paper])
    stream = io.BytesIO()
    made = BaseDocTemplate(
        stream, pagesize=(wide, high), invariant=1, pageCompression=0,
        title=_text(page.title), author="", creator="Nightdraw",
        subject=_text(page.badge), lang=page.language,
    )  # fmt: skip
    frame = Frame(
        MARGIN_MM * mm,
        BOTTOM_MM * mm,
        wide - 2 * MARGIN_MM * mm,
        high - (TOP_MM + BOTTOM_MM) * mm,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )
    look = _Look(page, size, frame._width)
    heads = _running_heads(page, look, wide, high)
    made.addPageTemplates([PageTemplate("page", [frame], onPage=heads)])
    made.build(look.halved(page.blocks) if halved else list(look.flowables(page.blocks)))
    return FONT_NAME.sub(rb"/T\1", stream.getvalue()), made.page


def _running_heads(page: ho.Handout, look: _Look, wide: float, high: float) -> Callable[[Any, Any], None]:
    """Title, badge, foot and page number of every page."""
    from reportlab.lib.units import mm
    from reportlab.pdfbase.pdfmetrics import stringWidth

    def draw(canvas: Any, made: Any) -> None:
        left, right, top = MARGIN_MM * mm, wide - MARGIN_MM * mm, high - MARGIN_MM * mm
        badge = _text(page.badge)
        badge_wide = stringWidth(badge, look.bold, 15) + 8 * mm if badge else 0.0
        title, size = _text(page.title), 16.0
        while stringWidth(title, look.bold, size) > right - left - badge_wide - 4 * mm and size > 9:
            size -= 0.5
        canvas.setFont(look.bold, size)
        canvas.drawString(left, top - 5 * mm, title)
        canvas.setFont(look.plain, 8.5)
        canvas.setFillColor(GREY)
        canvas.drawString(left, top - 9.5 * mm, _text(page.subtitle))
        canvas.setFillColor("black")
        if badge:
            canvas.roundRect(
                right - badge_wide, top - 8.5 * mm, badge_wide, 8.5 * mm, 1.5 * mm, stroke=1, fill=0
            )
            canvas.setFont(look.bold, 15)
            canvas.drawCentredString(right - badge_wide / 2, top - 6.1 * mm, badge)
        canvas.setLineWidth(1.2)
        canvas.line(left, top - 11.5 * mm, right, top - 11.5 * mm)
        canvas.setFont(look.plain, 7.5)
        canvas.setFillColor(GREY)
        canvas.drawString(left, FOOT_MM * mm, _text(page.foot))
        canvas.drawRightString(right, FOOT_MM * mm, str(made.page))

    return draw


def _text(text: str) -> str:
    return printable(text)


def _fonts(page: ho.Handout) -> tuple[str, str]:
    """Fonts that have every letter of the page."""
    try:
        repr(page).encode("cp1252")
    except UnicodeEncodeError:
        return _registered()
    return PLAIN_FONTS


@cache
def _registered() -> tuple[str, str]:
    import matplotlib as mpl
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    for name in WIDE_FONTS:
        pdfmetrics.registerFont(TTFont(name, Path(mpl.get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"))
    return WIDE_FONTS


class _Look:
    """Styles of one size of type, and every block as what reportlab sets."""

    def __init__(self, page: ho.Handout, size: float, width: float) -> None:
        from reportlab.lib.styles import ParagraphStyle

        self.plain, self.bold = _fonts(page)
        self.size, self.width = size, width
        base = ParagraphStyle("base", fontName=self.plain, fontSize=size, leading=size * LEADING)
        small = ParagraphStyle("small", base, fontSize=size - 1, leading=(size - 1) * LEADING)
        self.styles = {
            ho.PLAIN: base,
            ho.SMALL: small,
            ho.LEAD: ParagraphStyle("lead", base, fontSize=size + 1, leading=(size + 1) * LEADING),
            "head": ParagraphStyle(
                "head", base, fontName=self.bold, fontSize=size + 1, leading=(size + 1) * LEADING,
                spaceBefore=size * 0.6, spaceAfter=size * 0.2, keepWithNext=1,
            ),
            "bold": ParagraphStyle("bold", base, fontName=self.bold),
            "th": ParagraphStyle("th", small, fontName=self.bold),
            "right": ParagraphStyle("right", base, alignment=2),
            "th right": ParagraphStyle("th right", small, fontName=self.bold, alignment=2),
            "bullet": ParagraphStyle(
                "bullet", small, leftIndent=size * 1.2, bulletIndent=size * 0.2, bulletFontSize=size - 1
            ),
        }  # fmt: skip

    def paragraph(self, text: str, style: str = ho.PLAIN) -> Any:
        """A paragraph of plain text."""
        from reportlab.platypus import Paragraph

        return Paragraph(escape(_text(text)), self.styles[style])

    def flowables(self, blocks: Iterable[ho.Block]) -> Iterable[Any]:
        """Every block in turn."""
        from reportlab.platypus import Spacer

        for block in blocks:
            yield from _MAKERS[type(block)](self, block)
            if not isinstance(block, ho.Heading):
                yield Spacer(1, self.size * 0.35)

    def halved(self, blocks: Iterable[ho.Block]) -> list[Any]:
        """The same with a break before the section at which both pages are as full as can be."""
        from reportlab.platypus import PageBreak

        made = [list(self.flowables(section)) for section in ho.sections(blocks)]
        heights = [sum(self._height(one) for one in section) for section in made]
        at = min(
            range(1, len(made)), key=lambda k: max(sum(heights[:k]), sum(heights[k:])), default=len(made)
        )
        flat = [one for section in made[:at] for one in section]
        return [*flat, PageBreak(), *(one for section in made[at:] for one in section)]

    def _height(self, flowable: Any) -> float:
        return float(flowable.wrap(self.width, 1e6)[1] + flowable.getSpaceBefore() + flowable.getSpaceAfter())

    def heading(self, block: ho.Heading) -> Iterable[Any]:
        """A section's head."""
        yield self.paragraph(block.text, "head")

    def text(self, block: ho.Text) -> Iterable[Any]:
        """A paragraph."""
        yield self.paragraph(block.text, block.style)

    def _bullets(self, items: Iterable[str]) -> list[Any]:
        from reportlab.platypus import Paragraph

        return [Paragraph(escape(_text(item)), self.styles["bullet"], bulletText="\u2022") for item in items]

    def bullets(self, block: ho.Bullets) -> Iterable[Any]:
        """A list, in as many columns as it wants."""
        made = self._bullets(block.items)
        if block.columns == 1:
            return made
        half = -(-len(made) // 2)
        return [self.grid([[made[:half], made[half:]]], [0.5, 0.5], [("LEFTPADDING", (0, 0), (0, -1), 0)])]

    def facts(self, block: ho.Facts) -> Iterable[Any]:
        """Names and values in pairs of columns."""
        count = -(-len(block.rows) // block.columns)
        rows: list[list[Any]] = []
        for k in range(count):
            row: list[Any] = []
            for name, value in block.rows[k::count]:
                row += [self.paragraph(name, "th"), self.paragraph(value)]
            rows.append(row + [""] * (2 * block.columns - len(row)))
        share = 1 / block.columns
        widths = (
            [share * 0.17, share * 0.83] * block.columns
            if block.columns == 1
            else [share * 0.34, share * 0.66] * 2
        )
        yield self.grid(rows, widths, [("LINEBELOW", (0, 0), (-1, -2), 0.25, PALE)])

    def table(self, block: ho.Table) -> Iterable[Any]:
        """Head and rows with lines between, blanks where there are fields."""
        heads = [
            self.paragraph(cell, "th right" if k in block.right else "th")
            for k, cell in enumerate(block.head)
        ]
        rows = [heads] if block.head else []
        for row in block.rows:
            rows.append(
                [
                    self._field(cell)
                    if isinstance(cell, ho.Field)
                    else self.paragraph(cell, "right" if k in block.right else ho.PLAIN)
                    for k, cell in enumerate(row)
                ]
            )
        style: list[Any] = [("GRID", (0, 0), (-1, -1), 0.4, LINE), ("VALIGN", (0, 0), (-1, -1), "MIDDLE")]
        if block.head:
            style.append(("BACKGROUND", (0, 0), (-1, 0), PALE))
        total = sum(block.widths)
        shares = [width / total for width in block.widths]
        yield self.grid(rows, shares, style, 4.0, block.row_mm, bool(block.head))

    def _field(self, field: ho.Field) -> Any:
        """A blank; the choices to tick where there are few."""
        from reportlab.platypus import Paragraph

        if not 0 < len(field.choices) <= MOST_TICKED:
            return ""
        gap = "&nbsp;" * 4
        ticked = (f"[{gap}] {escape(_text(choice))}" for _, choice in field.choices)
        return Paragraph((gap * 2).join(ticked), self.styles[ho.PLAIN])

    def caution(self, block: ho.Caution) -> Iterable[Any]:
        """A framed box with a heavy edge, its items in two columns."""
        made = self._bullets(block.items)
        half = -(-len(made) // 2)
        rows: list[list[Any]] = [[self.paragraph(block.title, "bold"), ""], [made[:half], made[half:]]]
        style = [
            ("SPAN", (0, 0), (-1, 0)),
            ("BOX", (0, 0), (-1, -1), 0.6, "black"),
            ("LINEBEFORE", (0, 0), (0, -1), 3.5, "black"),
        ]
        yield self.grid(rows, [0.5, 0.5], style, 5.0)

    def blank(self, block: ho.Blank) -> Iterable[Any]:
        """Squared paper."""
        from reportlab.lib.units import mm
        from reportlab.platypus import Flowable

        width, high, label, font = (
            self.width,
            block.height_mm * mm,
            _text(block.label),
            (self.plain, self.size - 1.5),
        )

        class Squares(Flowable):  # type: ignore[misc,unused-ignore]  # reportlab has no types
            def wrap(self, *_: float) -> tuple[float, float]:
                return width, high

            def draw(self) -> None:
                canvas = self.canv
                canvas.setStrokeColor(PALE)
                canvas.setLineWidth(0.3)
                step = SQUARES_MM * mm
                for k in range(1, int(width / step) + 1):
                    canvas.line(k * step, 0, k * step, high)
                for k in range(1, int(high / step) + 1):
                    canvas.line(0, k * step, width, k * step)
                canvas.setStrokeColor(LINE)
                canvas.rect(0, 0, width, high)
                canvas.setFont(*font)
                canvas.setFillColor(GREY)
                canvas.drawString(2 * mm, high - 3.5 * mm, label)

        yield Squares()

    def picture(self, block: ho.Picture) -> Iterable[Any]:
        """A picture within its height, in its own proportions."""
        from reportlab.lib.units import mm
        from reportlab.platypus import Image

        yield Image(io.BytesIO(block.png), self.width, block.height_mm * mm, kind="proportional")

    def grid(
        self,
        rows: list[list[Any]],
        shares: list[float],
        style: list[Any],
        padding: float = 2.0,
        row_mm: float = 0.0,
        head: bool = False,
    ) -> Any:
        """A table over the whole width."""
        from reportlab.lib.units import mm
        from reportlab.platypus import Table

        across = self.size * 0.14
        base = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), padding),
            ("RIGHTPADDING", (0, 0), (-1, -1), padding),
            ("TOPPADDING", (0, 0), (-1, -1), across),
            ("BOTTOMPADDING", (0, 0), (-1, -1), across * 1.6),
        ]
        heights: list[float | None] = [None] * len(rows)
        widths = [share * self.width for share in shares]
        if row_mm:
            first = 1 if head else 0
            for k, row in enumerate(rows[first:], start=first):
                least = max(
                    (cell.wrap(w - 2 * padding, 1e4)[1] for cell, w in zip(row, widths, strict=True) if cell),
                    default=0,
                )
                heights[k] = max(row_mm * mm * self.size / SIZES_PT[0], least + 3.2 * across)
        return Table(rows, widths, heights, style=base + style, repeatRows=1 if head else 0)


_MAKERS: dict[type, Callable[[_Look, Any], Iterable[Any]]] = {
    ho.Heading: _Look.heading,
    ho.Text: _Look.text,
    ho.Bullets: _Look.bullets,
    ho.Facts: _Look.facts,
    ho.Table: _Look.table,
    ho.Caution: _Look.caution,
    ho.Blank: _Look.blank,
    ho.Picture: _Look.picture,
}
