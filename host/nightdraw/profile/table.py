"""The profile's tables of fields: every key with what it may be, its default and what it means."""

from __future__ import annotations

from boxcore import program as pg

from nightdraw.fields import (
    CDEG,
    MAS,
    MV,
    NAME,
    TICKS,
    ByKey,
    Choice,
    Either,
    ExactlyOne,
    Field,
    Listed,
    Quantity,
    Record,
    Span,
    Text,
    When,
    Whole,
)
from nightdraw.profile.case import age_years
from nightdraw.profile.levels import LevelPairs
from nightdraw.profile.model import LAWS, RESUMES, STARTS, Case
from nightdraw.profile.quantities import (
    LARGEST,
    LONGEST,
    LONGEST_MEAN,
    delay_ticks,
    draw_ua,
    duration_span_ticks,
    duration_ticks,
    level_ua,
    mean_gap_ticks,
    uniform_gap_ticks,
)

MAX_ABOUT = 4000  # characters: a page
MAX_COMPLAINT = 600  # characters: the student's sheet stays one page
SUPPLY = ("1 V", "60 V")
DURATION = Quantity("time", ("1 ms", LONGEST), parse=duration_ticks)
DELAY = Quantity("time", ("0 s", LONGEST), parse=delay_ticks)
LEVEL = Quantity("current", ("0 A", LARGEST), parse=level_ua)
DRAW = Quantity("current", ("1 uA", LARGEST), parse=draw_ua)
SUPPLY_V = Quantity("voltage", SUPPLY, MV)

CASE = Record(
    "case",
    (
        Field(
            "battery", Quantity("charge", ("1 Ah", "500 Ah")), "Its capacity when new.", True, to="battery_ah"
        ),
        Field(
            "age",
            Text("an age like 5 years", r" *[1-9][0-9]? years? *", parse=age_years),
            "How old it is.",
            otherwise="not said",
            instead=0,
            to="age_years",
        ),
        Field(
            "left",
            Quantity("percent", ("10 %", "100 %")),
            "What age has left of its capacity.",
            default="100 %",
            to="left_pct",
        ),
        Field(
            "charge",
            Quantity("percent", ("51 %", "100 %")),
            "What it was charged to when the vehicle was parked.",
            True,
            to="charge_pct",
        ),
        Field(
            "own",
            Quantity("current", ("0 A", "1 A")),
            "What the healthy vehicle draws asleep.",
            True,
            to="own_a",
        ),
    ),
    make=Case,
)
START = Record(
    "start",
    (
        Field(
            "when",
            Choice(tuple(STARTS)),
            "power: supply present; panel: arm switch; supply-rest: the supply has stayed below a level.",
            True,
        ),
        Field("below", SUPPLY_V, "With supply-rest: the level.", to="below_mv", instead=0),
        Field(
            "steady", DURATION, "With supply-rest: how long it must stay below.", to="steady_ticks", instead=0
        ),
        Field("after", DELAY, "Delay from the moment the condition holds.", default="0 s", to="after_ticks"),
    ),
    rules=(When("when", "supply-rest", ("below", "steady"), ("below", "steady")),),
)
LIMITS = Record(
    "limits",
    (
        Field("supply_min", SUPPLY_V, "Below it the loads stay open.", default="11.8 V", to="supply_min_mv"),
        Field(
            "supply_max",
            SUPPLY_V,
            "Above it the loads stay open; on a board for more volts its own cap holds.",
            default="16 V",
            to="supply_max_mv",
        ),
        Field(
            "run",
            Quantity("time", ("1 ms", LONGEST), TICKS),
            "How long a run may last, power losses included.",
            default="3 h",
            to="run_ticks",
        ),
        Field(
            "charge",
            Quantity("charge", ("0.001 Ah", "1000 Ah"), MAS),  # 32 bits of mA s end at 1193 Ah
            "How much a run may take from the battery.",
            default="2 Ah",
            to="charge_mas",
        ),
        Field(
            "bank_temp",
            Quantity("temperature", ("1 C", "300 C"), CDEG),
            "Above it the box trips.",
            default="90 C",
            to="bank_temp_cdeg",
        ),
    ),
)
PULSE = Record(
    "pulse",
    (
        Field("draw", DRAW, "What a pulse adds.", True),
        Field("on", DURATION, "How long a pulse lasts; shorter than every.", True),
        Field("every", DURATION, "From start to start.", True),
        Field("first", DELAY, "When the first pulse starts, from the run's start.", default="0 s"),
    ),
)
RANDOM = Record(
    "random",
    (
        Field("draw", DRAW, "What a pulse adds.", True),
        Field(
            "on",
            Span("time", ("1 ms", LONGEST), parse=duration_span_ticks),
            "How long a pulse lasts, or a range to draw it from.",
            True,
        ),
        Field(
            "law",
            Choice(tuple(LAWS)),
            "How gaps are drawn: uniform from a range, exponential about a mean.",
            default="uniform",
        ),
        Field(
            "gap",
            ByKey(
                "law",
                {
                    "uniform": Span("time", ("1 ms", LONGEST), parse=uniform_gap_ticks, only=True),
                    "exponential": Quantity("time", ("1 ms", LONGEST_MEAN), parse=mean_gap_ticks),
                },
                other=Span("time", parse=duration_span_ticks),
            ),
            "From the end of a pulse to the start of the next; the run opens with a gap.",
            True,
        ),
    ),
)
REPLAY = Record(
    "replay",
    (
        Field("levels", LevelPairs(), "What it adds and for how long, one after the other."),
        Field("file", Text("a path"), "Or a CSV of the same beside the profile, header level_mA,duration_s."),
        Field(
            "repeat",
            Either({"once": 1, "forever": pg.FOREVER}, Whole(1, pg.MAX_U32)),
            "How many times it is played.",
            default="once",
        ),
    ),
    rules=(ExactlyOne(("levels", "file")),),
)
# tests/profile/test_every_kind.py names every place that a new kind of draw needs beside its fields here.
KINDS = (
    Field("steady", LEVEL, "The level between pulses, what the box itself consumes included."),
    Field("pulse", PULSE, "Pulses at a fixed period."),
    Field("random", RANDOM, "Pulses at random intervals, the same for the same seed and run number."),
    Field("replay", REPLAY, "Levels played one after the other."),
)
ONE_DRAW = Record(
    "a draw", KINDS, rules=(ExactlyOne(tuple(kind.key for kind in KINDS), "begin each draw with '- '"),)
)
PROFILE = Record(
    "the profile",
    (
        Field("profile", NAME, "The profile's name, kept inside the program.", True),
        Field(
            "about",
            Text(most=MAX_ABOUT, folded=True),
            "For the instructor: the fault, and how it shows on meter, clamp and fuse.",
            instead="",
        ),
        Field(
            "complaint",
            Text(most=MAX_COMPLAINT, folded=True),
            "For the student: what the customer says, nothing of the answer.",
            instead="",
        ),
        Field(
            "case",
            CASE,
            "For the student: battery and own draw with which a correct calculation confirms the time in the"
            " complaint.",
        ),
        Field("start", START, "When a run begins.", otherwise="as soon as there is supply"),
        Field(
            "draws",
            Listed(ONE_DRAW, 1, pg.MAX_DRAWS, "draws", "draw {number}"),
            "What the box draws; they add up.",
            True,
        ),
        Field("limits", LIMITS, "Where the box must stop; a board's own tighter caps win."),
        Field(
            "resume",
            Choice(tuple(RESUMES)),
            "After a power loss: from its beginning, from where it was, or not at all.",
            default="restart",
        ),
        Field("resume_after", DELAY, "Quiet time before a run resumes.", default="0 s"),
        Field("seed", Whole(0, pg.MAX_U32), "Same seed and run number: same edges, everywhere.", default="0"),
    ),
)
TITLE = "Nightdraw drain profile"
