"""The two sheets of a profile: the student's briefing without the answer, and the instructor's key.

Both are lists of sections with plain text, lines apart; how a sheet looks is `sheet`'s business. The
student's sheet is built from `complaint` and `case` alone: nothing else of the profile can slip into it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import islice

from boxcore import program as pg

from nightdraw.profile import case, timeline
from nightdraw.profile.describe import draw_text, limits_text, resume_text, start_text
from nightdraw.profile.figures import Figures, figures
from nightdraw.profile.model import Draw, Profile, Pulse, Random, Replay, Steady
from nightdraw.profile.quantities import show_ua
from nightdraw.report.words import load_words

TIMELINE_EDGES = 16  # enough for several pulses, short enough for the page
TIMELINE_TICKS = 6 * 3600 * pg.TICKS_PER_S  # a class is over by then
# Typical cold resistance of medium blade fuses, milliohms by rating in amperes: a maker's sheet, series 287.
FUSE_MOHM = {5: Fraction(1785, 100), 10: Fraction(77, 10), 15: Fraction(48, 10), 20: Fraction(338, 100)}
METER_MAX_TICKS = 1000  # 100 ms: the usual MIN/MAX response of a hand-held meter (common practice)
METER_READING_TICKS = 5000  # 500 ms: a display changes two to four times a second (common practice)
COMPLAINT = (
    "After standing for some days the vehicle cranks slowly or not at all. The battery has been charged and"
    " tested: it is sound. Charging works."
)

TASK = (
    "Something draws current while the vehicle sleeps. Find out how much, when, and on which circuit;"
    " prove it; work out what it does to the battery.",
)
GIVEN = (
    "- a training vehicle with a training load fitted and tagged, its fuse chart and its wiring diagrams",
    "- its sleeping draw without the load, measured beforehand, and how long it takes to fall asleep",
    "- a meter, a low-current clamp, a recorder with differential or isolated inputs",
    "- no support charger: one that is left on hides everything",
)
MEASURE = (
    "1. Latches closed, keys away, nothing on the diagnostic socket: let the vehicle fall asleep.",
    "2. Record the clamp at the battery for long enough. Note the lowest, highest and mean current.",
    "3. If the current changes: how high, how long, from start to start how far apart, regular or not?",
    "4. Record millivolts across fuses at the same instants. Which fuse moves together with the clamp?",
    "5. Only then pull that fuse, once: it wakes the vehicle. Put it back and see the draw return.",
)
CAUTIONS = (
    "- Eye protection. Battery gas is explosive: no sparks, no flame. Negative cable off first, on last.",
    "- Stay off airbag, high-voltage, 48 V and every other safety circuit.",
    "- The meter starts on its highest current range; it is never in line while a door opens, the engine"
    " cranks or the vehicle drives.",
    "- Recorder inputs across a fuse are differential or isolated, its laptop runs on battery: a"
    " single-ended input shorts battery positive to ground.",
    "- Disconnecting may lose memories and need relearning. The vehicle maker's procedure, local codes and"
    " the word of a licensed technician come before this sheet.",
)
FINDINGS = (
    "Group ______________   Vehicle ______________   Date ______________",
    "Asleep after ________ min at ________ mA   lowest ________ mA   highest ________ mA   mean ________ mA",
    "Steady [ ]   comes and goes [ ]: adds ________ mA   lasts ________   from start to start ________",
    "Circuit, fuse and its rating ____________________________   millivolts across it ________",
    "How it was proved ____________________________________________________________",
    "Charge a day ________ Ah   a 60 Ah battery is at half after ________ days",
)
INSTRUCTOR_CAUTIONS = (
    "- Training vehicles only, never a customer's; a visible tag that a training load is fitted, a signed"
    " removal at the end.",
    "- Never on airbag, high-voltage, 48 V or other safety circuits, nor on a dual-battery or start/stop"
    " vehicle whose second source isn't known. Not with the engine running.",
    "- Splice in after the circuit's fuse, on the vehicle's side of any battery sensor, never behind a relay"
    " or electronic fuse that sleeps. A sensor may log the draw or shed loads: scan and clear afterwards.",
    "- Fuse at the source. Resistors get hot: the box stays away from carpet and trim.",
    "- Stay within reach. No unattended overnight run. The vehicle must start at the end of the day.",
    "- Eye protection; explosive gas, no sparks near a battery; negative off first and on last.",
    "- Meter on its highest range first, never in line while a door opens, the engine cranks or the vehicle"
    " drives; recorder inputs differential or isolated, its laptop on battery.",
    "- Memories and relearns may be lost. The vehicle maker's procedure, local codes and a licensed"
    " technician come first.",
)


@dataclass(frozen=True)
class Section:
    """A heading and its text, lines apart; a line that begins with `- ` is a list item."""

    heading: str
    text: str


@dataclass(frozen=True)
class Card:
    """A sheet: title and sections, as the JSON contract names them."""

    title: str
    sections: tuple[Section, ...]

    def document(self) -> dict[str, object]:
        """The same as the JSON contract's keys."""
        return {"title": self.title, "sections": [dict(vars(section)) for section in self.sections]}


def student(profile: Profile) -> Card:
    """The briefing: complaint, task, what is given, what to measure, cautions, room for findings."""
    return Card(
        "Task: a current that should not be there",
        (
            Section("The complaint", situation(profile)),
            _section("Your task", TASK),
            _section("What you have", GIVEN),
            _section("What to measure", MEASURE),
            _section("Cautions", CAUTIONS),
            _section("What you found", FINDINGS),
        ),
    )


def situation(profile: Profile) -> str:
    """What the customer says, and the battery and own draw that a student calculates with."""
    complaint = profile.complaint or COMPLAINT
    return complaint if profile.case is None else f"{complaint} {case.text(profile.case)}"


def key(profile: Profile, run: int = 1) -> Card:
    """The answer: the fault, how it shows, the timeline of a run's first pulses, figures, cautions."""
    result = figures(profile)
    return Card(
        f"Key: {profile.name}",
        (
            Section("The fault", profile.about or "This profile has no description."),
            _section("What the box draws", _program(profile)),
            _section("How it shows", _shows(profile, result)),
            _section(f"Timeline of run {run}, seed {profile.seed}", _timeline(profile, run)),
            _section("In figures", _figures(result)),
            _section("Cautions", INSTRUCTOR_CAUTIONS),
        ),
    )


def _section(heading: str, lines: tuple[str, ...]) -> Section:
    return Section(heading, "\n".join(lines))


def _program(profile: Profile) -> tuple[str, ...]:
    own = show_ua(profile.board.own_ua)
    base = f"- between pulses {show_ua(profile.base_ua())}, the box's own {own} included"
    words = load_words()
    draws = [f"- {draw_text(draw, words)}" for draw in profile.draws if not isinstance(draw, Steady)]
    held = profile.limits.within(profile.board.caps)
    rules = [start_text(profile, words), resume_text(profile, words), limits_text(held, words)]
    return (base, *draws, *(f"- {rule}" for rule in rules))


def _shows(profile: Profile, result: Figures) -> tuple[str, ...]:
    low, peak = _lowest_ua(profile), round(result.peak_ma * 1000)
    lines = [
        f"- clamp: at least {show_ua(low)}, at most {show_ua(peak)}, on top of the vehicle's own draw",
        f"- meter: {_meter(profile, result)}",
    ]
    lines += [f"- {_wait(draw)}" for draw in profile.draws if draw.pulses_per_tick()]
    drops = ", ".join(
        f"{rating} A {_drop(low, mohm)} / {_drop(peak, mohm)}" for rating, mohm in FUSE_MOHM.items()
    )
    lines.append(f"- millivolts across a cold blade fuse of the usual kind, lowest / highest: {drops}")
    return tuple(lines)


def _lowest_ua(profile: Profile) -> int:
    """The lowest level once a run has settled: an endless replay never stops adding its lowest."""
    endless = [draw for draw in profile.draws if isinstance(draw, Replay) and draw.repeat == pg.FOREVER]
    return profile.base_ua() + sum(min(level for level, _ in draw.levels) for draw in endless)


def _drop(level_ua: int, mohm: Fraction) -> str:
    return f"{float(level_ua * mohm / 1_000_000):.3f}"


def _meter(profile: Profile, result: Figures) -> str:
    widths = [_shortest_ticks(draw) for draw in profile.draws if not isinstance(draw, Steady)]
    if not widths:
        return "the same reading all the time"
    rates = [draw.pulses_per_tick() for draw in profile.draws]
    if max(rates) * METER_READING_TICKS > 1:
        return (
            f"pulses come faster than the display changes: it shows about their mean, {result.mean_ma:.1f} mA"
        )
    if min(widths) < METER_MAX_TICKS:
        return "pulses under 100 ms slip past MIN/MAX or read too low; the display shows the rest level"
    return "MAX catches the pulses (100 ms is enough) but not how long they last"


def _shortest_ticks(draw: Pulse | Random | Replay) -> int:
    if isinstance(draw, Replay):
        return min(ticks for _, ticks in draw.levels)
    return draw.on_ticks if isinstance(draw, Pulse) else draw.on_ticks[0]


def _wait(draw: Draw) -> str:
    """How long to record for three pulses of a draw."""
    seconds = float(3 / draw.pulses_per_tick() / pg.TICKS_PER_S)
    often = "on average " if isinstance(draw, Random) else ""
    return f"recording: three pulses of draw {draw.number} take {often}{round(seconds, 1):g} s"


def _timeline(profile: Profile, run: int) -> tuple[str, ...]:
    found = islice(timeline.edges(profile, TIMELINE_TICKS, run=run), TIMELINE_EDGES)
    lines = [f"{tick / pg.TICKS_PER_S:.4f} s  {level / 1000:g} mA" for tick, level in found]
    return (*lines, "counted from the run's start; the same seed and run number give the same edges")


def _figures(result: Figures) -> tuple[str, ...]:
    days = "never" if result.days_to_no_start is None else f"{result.days_to_no_start:.1f} days"
    return (
        f"- peak {result.peak_ma:g} mA, mean {result.mean_ma:.1f} mA",
        f"- {result.pulses_per_hour:.1f} pulses an hour",
        f"- {result.charge_per_day_ah:.2f} Ah a day; a full battery is at its no-start level after: {days}",
        *(f"- {text}" for text in result.assumptions),
    )
