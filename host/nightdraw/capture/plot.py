"""A chart of recordings: every channel decimated to what a picture can show, pulses marked, events beside.

Each channel is read once; a second time, at the pulses only, where its columns are wider than its samples.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from nightdraw.capture import seen as sn
from nightdraw.capture.events import see
from nightdraw.capture.read import Recording
from nightdraw.errors import CannotTellError, Finding, InputError
from nightdraw.report import chart as ch

MOST_STRIPS = 24  # more can't be told apart on a page
MOST_DETAILS = 60  # pulses whose every sample is kept beside the whole, evenly chosen
DETAIL_COLUMNS = 1 << 13  # of each; a longer one is decimated
AROUND = 0.5  # of a pulse, shown on either side of it
LEAST_AROUND = 20  # samples
MOST_CORNERS = 2000  # of the base that is drawn


@dataclass(frozen=True)
class Wanted:
    """What is drawn: channels of one or several files; pulses: whether the first channel's are measured and
    marked; events to mark."""

    channels: Sequence[Recording]
    pulses: bool = True
    events: Sequence[tuple[float, str]] = ()


def chart(wanted: Wanted) -> ch.Chart:
    """The chart; raises InputError for too many channels, CannotTellError for
    fewer than two samples."""
    channels = wanted.channels
    if len(channels) > MOST_STRIPS:
        hint = "name some with --channel"
        raise InputError(Finding(f"{len(channels)} channels: a page shows at most {MOST_STRIPS}", hint=hint))
    most = max(ch.MOST_EMBEDDED // len(channels), ch.LEAST_COLUMNS)
    bands = [_band(channel, min(most, ch.MOST_COLUMNS)) for channel in channels]
    if max(band.samples for band in bands) < 2:
        message = "fewer than two samples: nothing to draw"
        raise CannotTellError(Finding(message, channels[0].name, hint="another --from, or a longer --for"))
    begin_s, end_s = min(band.begin_s for band in bands), max(band.end_s for band in bands)
    found, notes = _seen(channels[0]) if wanted.pulses else (None, ())
    pulses = None if found is None else found.events.of(sn.PULSE)
    spans = [] if found is None or pulses is None else _spans(pulses, found.interval_s)
    files = sorted({channel.name for channel in channels})
    strips = tuple(
        ch.Strip(
            name=channel.channel if len(files) == 1 else f"{Path(channel.name).stem}: {channel.channel}",
            unit=channel.unit,
            band=band,
            details=_details(channel, band, spans),
            base=_base(found.base) if found is not None and not k else None,
        )
        for k, (channel, band) in enumerate(zip(channels, bands, strict=True))
    )
    samples = sum(band.samples for band in bands)
    rows = () if pulses is None else zip(pulses.start_s, pulses.duration_s, pulses.level, strict=True)
    return ch.Chart(
        title=", ".join(Path(file).name for file in files),
        note=f"{samples:,} samples".replace(",", " ") + ", every spike shown",
        strips=strips,
        begin_s=begin_s,
        end_s=end_s,
        pulses=tuple(ch.PulseMark(*map(float, row)) for row in rows),
        events=tuple(event for event in wanted.events if begin_s <= event[0] <= end_s),
        histograms=() if pulses is None else _histograms(pulses),
        facts=(*_facts(found, pulses), *(("note", note) for note in notes)),
    )


def _band(channel: Recording, most: int) -> ch.Band:
    decimator = ch.Decimator(most)
    for t_s, value in channel.blocks():
        decimator.add(t_s, value)
    return decimator.band()


def _seen(channel: Recording) -> tuple[sn.Seen | None, tuple[str, ...]]:
    """What is seen in a channel, or why nothing is."""
    try:
        found = see(channel)
    except CannotTellError as error:
        return None, (f"pulses: {error.findings[0].message}",)
    return found, found.notes


def _base(base: sn.Base) -> tuple[tuple[float, float], ...]:
    some = np.unique(np.linspace(0, len(base) - 1, min(MOST_CORNERS, len(base))).astype(int))
    return tuple(zip(base.t_s[some].tolist(), base.level[some].tolist(), strict=True))


def _spans(pulses: sn.Events, interval_s: float) -> list[tuple[float, float]]:
    """Spans around pulses, those that overlap as one."""
    chosen = np.unique(np.linspace(0, len(pulses) - 1, min(MOST_DETAILS, len(pulses))).astype(int))
    start_s, lasting_s = pulses.start_s[chosen], pulses.duration_s[chosen]
    around_s = np.maximum(AROUND * lasting_s, LEAST_AROUND * interval_s)
    spans: list[tuple[float, float]] = []
    # a long pulse's begins before that of a short one just ahead of it
    for first, last in sorted(
        zip((start_s - around_s).tolist(), (start_s + lasting_s + around_s).tolist(), strict=True)
    ):
        if spans and first <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(last, spans[-1][1]))
        else:
            spans.append((first, last))
    return spans


def _details(channel: Recording, band: ch.Band, spans: list[tuple[float, float]]) -> tuple[ch.Band, ...]:
    """The spans with every sample; nothing where the whole has them already."""
    if band.samples <= len(band.low) or not spans:
        return ()
    decimators = [ch.Decimator(DETAIL_COLUMNS) for _ in spans]
    for t_s, value in channel.blocks():
        for decimator, span in zip(decimators, spans, strict=True):
            first, last = np.searchsorted(t_s, span)
            decimator.add(t_s[first:last], value[first:last])
    finer = (decimator.band() for decimator in decimators)
    return tuple(found for found in finer if len(found.low) and found.width_s < band.width_s)


def _histograms(pulses: sn.Events) -> tuple[ch.Histogram, ...]:
    ends_s = pulses.start_s + pulses.duration_s
    gaps_s = pulses.start_s[1:] - ends_s[:-1]
    made = (
        ch.histogram("durations", pulses.duration_s),
        ch.histogram("gaps, end to start", gaps_s[gaps_s > 0]),
    )
    return tuple(one for one in made if one is not None)


def _facts(found: sn.Seen | None, pulses: sn.Events | None) -> Iterator[tuple[str, str]]:
    if found is None or pulses is None:
        return
    yield "pulses", str(len(pulses))
    if len(found.base):
        yield "base", f"{np.median(found.base.level):.4g} {found.unit}"
    yield "noise", f"{found.noise:.2g} {found.unit} rms"
    if len(pulses) > 1:
        yield (
            "period",
            f"{ch.duration_text(float(np.median(np.diff(pulses.start_s))))}, median, start to start",
        )
    if found.unjudged_s:
        share = 100 * found.unjudged_s / found.length_s
        yield "unjudged", f"{ch.duration_text(found.unjudged_s)}, {share:.2g} % of the recording"
