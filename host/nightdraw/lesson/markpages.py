"""What `lesson mark --out` writes: the table of marks, a page for each group, the class's summary."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightdraw import outputs
from nightdraw.lesson import marking
from nightdraw.lesson.bookexport import table
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.marking import Marked
from nightdraw.lesson.model import Plan
from nightdraw.report import handout as ho
from nightdraw.report import web
from nightdraw.report.words import Words

VERDICTS = (marking.RIGHT, marking.PARTLY, marking.WRONG, marking.MISSING)
SHADES = ("#1b7837", "#a6dba0", "#e08214", "#cccccc")  # told apart by any common colour vision, and in grey
HATCHES = ("", "..", "//", "")
LISTED = ("group", "points", "of", "percent", "passed", *(f"{name}_points" for name in COLUMNS))
PLOT_DPI = 130


@dataclass(frozen=True)
class Pages:
    """All that the pages are made of."""

    plan: Plan
    marked: list[Marked]
    summary: dict[str, Any]
    words: Words


def write(folder: Path, pages: Pages, document: dict[str, Any]) -> list[Path]:
    """Write marks.csv, marks.json (`document`), GROUP.html for each group, class.html; raises InputError."""
    outputs.make_folder(folder)
    files = {"marks.csv": _table(pages), "marks.json": json.dumps(document, indent=1).encode()}
    for one in pages.marked:
        files[f"{one.one.group}.html"] = web.page(group_page(pages, one)).encode()
    files["class.html"] = web.page(class_page(pages)).encode()
    for name, content in files.items():
        outputs.write(folder / name, content)
    return [folder / name for name in files]


def _table(pages: Pages) -> bytes:
    rows: list[tuple[object, ...]] = []
    for one in pages.marked:
        marks = one.marks
        passed = {True: "yes", False: "no", None: ""}[marks.passed]
        points = [item.points if item.of else None for item in marks.items]
        rows.append((one.one.group, marks.points, marks.of, marks.percent, passed, *points))
    return table(list(LISTED), rows)


def group_page(pages: Pages, one: Marked) -> ho.Handout:
    """What a group gets back: what it claimed, what was there, and a sentence for each item."""
    words, marks = pages.words, one.marks
    result = words("marks.nothing")
    if marks.percent is not None:
        result = words(
            "marks.passed" if marks.passed else "marks.not_passed",
            points=f"{marks.points:g}", of=f"{marks.of:g}", percent=f"{marks.percent:g}",
            needed=f"{float(pages.plan.of.pass_pct):g}",
        )  # fmt: skip
    rows = tuple(_item_row(item, words) for item in marks.items)
    head = tuple(words(f"marks.head.{name}") for name in ("item", "claimed", "truth", "points", "comment"))
    blocks: list[ho.Block] = [
        ho.Text(result, ho.LEAD),
        ho.Table(head, rows, (0.11, 0.17, 0.22, 0.08, 0.42), right=(3,)),
        *_learned(one, words),
    ]
    if one.notes:
        blocks += [ho.Heading(words("marks.notes")), ho.Bullets(one.notes)]
    return _handout(pages, words("marks.title"), one.one.group, blocks)


def _item_row(item: Any, words: Words) -> tuple[str, ...]:
    points = f"{item.points:g} / {item.of:g}" if item.of else "\u2013"
    truth = f"{item.truth} {item.tolerance}".strip()
    return words(f"item.{item.item}"), item.claimed or "\u2013", truth or "\u2013", points, item.comment


def _learned(one: Marked, words: Words) -> Iterator[ho.Block]:
    """How each item that wasn't right is measured, so that the page teaches."""
    wrong = [
        name for name in COLUMNS if one.verdicts[name] in (marking.WRONG, marking.PARTLY, marking.MISSING)
    ]
    if not wrong:
        return
    yield ho.Heading(words("marks.next_time"))
    yield ho.Bullets(tuple(words(f"learn.{name}") for name in wrong))


def class_page(pages: Pages) -> ho.Handout:
    """The class for its instructor: who passed, what was found and missed, how long it took."""
    words, summary = pages.words, pages.summary
    mean = "\u2013" if summary["mean_percent"] is None else f"{summary['mean_percent']:g} %"
    facts = (
        (words("class.passed"), words("class.of", count=summary["passed"], of=summary["groups"])),
        (words("class.answered"), words("class.of", count=summary["answered"], of=summary["groups"])),
        (words("class.mean"), mean),
    )
    head = (
        words("marks.head.group"),
        words("marks.head.points"),
        "%",
        *(words(f"item.{n}") for n in COLUMNS),
    )
    rows = []
    for one in pages.marked:
        marks = one.marks
        percent = "\u2013" if marks.percent is None else f"{marks.percent:g}"
        points = [f"{item.points:g}" if item.of else "\u2013" for item in marks.items]
        rows.append((one.one.group, f"{marks.points:g} / {marks.of:g}", percent, *points))
    wide = (0.16, 0.12, 0.09, *[0.63 / len(COLUMNS)] * len(COLUMNS))
    blocks: list[ho.Block] = [
        ho.Facts(facts),
        ho.Heading(words("class.marks")),
        ho.Table(head, tuple(rows), wide, right=tuple(range(1, len(head)))),
        ho.Heading(words("class.found")),
        ho.Picture(_found_plot(pages), _found_text(pages), 60),
        ho.Heading(words("class.time")),
        *_times(pages),
    ]
    if summary["notes"]:
        blocks += [ho.Heading(words("marks.notes")), ho.Bullets(tuple(summary["notes"]))]
    return _handout(pages, words("class.title"), "", blocks)


def _times(pages: Pages) -> Iterator[ho.Block]:
    """How long it took, where anything of it is known."""
    words = pages.words
    if any(time[key] is not None for time in pages.summary["times"] for key in ("expected_s", "first_out_s")):
        yield ho.Text(words("class.time_how"), ho.SMALL)
        yield ho.Picture(_time_plot(pages), words("class.time_how"), 60)
    else:
        yield ho.Text(words("class.no_time"))


def _handout(pages: Pages, title: str, badge: str, blocks: list[ho.Block]) -> ho.Handout:
    of = pages.plan.of
    subtitle = of.title if of.when is None else f"{of.title}, {of.when}"
    return ho.Handout(
        title, badge, subtitle, tuple(blocks), pages.words("sheet.foot"), pages.words("language")
    )


def _found_text(pages: Pages) -> str:
    """The plot in words."""
    words = pages.words

    def counted(counts: dict[str, int]) -> str:
        return ", ".join(f"{counts.get(verdict, 0)} {_called(verdict, words)}" for verdict in VERDICTS)

    return "; ".join(f"{words(f'item.{name}')}: {counted(pages.summary['items'][name])}" for name in COLUMNS)


def _called(verdict: str, words: Words) -> str:
    return words(f"verdict.{verdict.replace(' ', '_')}")


def _found_plot(pages: Pages) -> bytes:
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    figure = Figure(figsize=(7.2, 2.8), dpi=PLOT_DPI, layout="constrained")
    axes = figure.add_subplot()
    names = [pages.words(f"item.{name}") for name in COLUMNS][::-1]
    left = [0] * len(COLUMNS)
    for verdict, shade, hatch in zip(VERDICTS, SHADES, HATCHES, strict=True):
        counts = [pages.summary["items"][name].get(verdict, 0) for name in COLUMNS][::-1]
        label = _called(verdict, pages.words)
        axes.barh(names, counts, left=left, color=shade, edgecolor="white", hatch=hatch, label=label)
        left = [a + b for a, b in zip(left, counts, strict=True)]
    axes.set_xlabel(pages.words("class.groups"))
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlim(0, max(len(pages.marked), 1))
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(ncols=4, loc="lower left", bbox_to_anchor=(0, 1), frameon=False, fontsize=9)
    return _png(figure)


def _time_plot(pages: Pages) -> bytes:
    """Expected against what the journals tell, a row a group."""
    from matplotlib.figure import Figure

    times = pages.summary["times"][::-1]
    figure = Figure(figsize=(7.2, 1.2 + 0.28 * len(times)), dpi=PLOT_DPI, layout="constrained")
    axes = figure.add_subplot()
    for key, marker, colour, filled, word in (
        ("expected_s", "D", "#0072B2", "none", "class.expected"),
        ("first_out_s", "o", "#111111", "full", "class.out"),
    ):
        known = [(time[key] / 60, k) for k, time in enumerate(times) if time[key] is not None]
        at, rows = zip(*known, strict=True) if known else ((), ())
        axes.plot(at, rows, marker, color=colour, fillstyle=filled, label=pages.words(word), markersize=7)
    axes.set_yticks(range(len(times)), [time["group"] for time in times])
    axes.set_ylim(-0.6, len(times) - 0.4)
    axes.set_xlim(left=0, right=max(axes.get_xlim()[1], 1))
    axes.set_xlabel(pages.words("class.minutes"))
    axes.grid(axis="y", linestyle=":", alpha=0.5)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(ncols=2, loc="lower left", bbox_to_anchor=(0, 1), frameon=False, fontsize=9)
    return _png(figure)


def _png(figure: Any) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
