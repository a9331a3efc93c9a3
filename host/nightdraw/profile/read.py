"""From a profile's YAML to the checked model: what each key means, and everything that can be wrong with it.

All findings of a file are collected and raised together. `draws` reads the draws, `fit` knows the bank.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from boxcore import program as pg

from nightdraw import data, places, programs, units
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import Finding
from nightdraw.fields import Fields
from nightdraw.places import Findings, Node
from nightdraw.profile import case, fit
from nightdraw.profile.draws import read_draws
from nightdraw.profile.model import RESUMES, STARTS, Draw, Limits, Profile, Start
from nightdraw.profile.quantities import delay_ticks, duration_ticks

KEYS = ("profile", "about", "complaint", "case", "start", "draws", "limits", "resume", "resume_after", "seed")
REQUIRED = ("profile", "draws")
START_KEYS = ("when", "below", "steady", "after")
REST_KEYS = ("below", "steady")
MAX_ABOUT = 4000  # characters: a page
MAX_COMPLAINT = 600  # characters: the student's sheet stays one page
SUPPLY_BOUNDS = ("1 V", "60 V")
RUN_BOUNDS = ("1 ms", "4.97 d")  # 2^32 - 1 ticks
CHARGE_BOUNDS = ("0.001 Ah", "1000 Ah")  # 32 bits of milliampere-seconds end at 1193 Ah
TEMP_BOUNDS = ("1 C", "300 C")
# key -> dimension, bounds, to a whole number; in the order of boxcore's fields and of model.Limits
LIMITS = {
    "supply_min": ("voltage", SUPPLY_BOUNDS, units.to_mv),
    "supply_max": ("voltage", SUPPLY_BOUNDS, units.to_mv),
    "run": ("time", RUN_BOUNDS, units.to_ticks),
    "charge": ("charge", CHARGE_BOUNDS, units.to_mas),
    "bank_temp": ("temperature", TEMP_BOUNDS, units.to_cdeg),
}
_FIRST_LIMIT = pg.NUMBERS.index("supply_min_mv")
LIMIT_DEFAULTS = pg.DEFAULTS[_FIRST_LIMIT : _FIRST_LIMIT + len(LIMITS)]


def load(path: str | Path, board: BoardModel | str | Path | None = None) -> Profile:
    """The profile in a YAML file, or of a shipped name, checked in full for a board (a model, a file or name,
    None: the shipped one).

    Raises InputError with every finding, each with file, line and column, or with the one syntax error.
    """
    return _load(path, board, fitting=True)


def load_as_written(path: str | Path, board: BoardModel | str | Path | None = None) -> Profile:
    """The same, but for whether the board's bank can make the levels: what its author wrote.

    Raises InputError as load does, for all that no board mends.
    """
    return _load(path, board, fitting=False)


def _load(path: str | Path, board: BoardModel | str | Path | None, fitting: bool) -> Profile:
    model = board if isinstance(board, BoardModel) else load_board(board)
    root, findings = places.read(data.profile(path))
    profile = _Reader(findings, model, fitting).read(root)
    findings.stop()
    assert profile is not None  # a profile that can't be made left a finding
    return profile


def compile_profile(path: str | Path, board: BoardModel | str | Path | None = None) -> bytes:
    """The program bytes of a profile; raises InputError as load does."""
    packed: bytes = programs.pack(load(path, board).program())
    return packed


class _Reader:
    """Reads one profile; each method reads one part and leaves findings for what is wrong in it."""

    def __init__(self, findings: Findings, board: BoardModel, fitting: bool) -> None:
        self._findings = findings
        self._board = board
        self._fitting = fitting
        self._notes: list[Finding] = []

    def read(self, root: Node) -> Profile | None:
        """The profile, or None with findings."""
        fields = Fields(root, self._findings, "the profile", KEYS, REQUIRED)
        name = fields.parsed("profile", _name, "")
        about = fields.parsed("about", lambda text: _prose(text, MAX_ABOUT), "")
        complaint = fields.parsed("complaint", lambda text: _prose(text, MAX_COMPLAINT), "")
        stated = case.read_case(fields, self._findings)
        limits = self._limits(fields)
        start = self._start(fields, limits)
        draws = self._draws(fields, limits)
        resume = fields.choice("resume", tuple(RESUMES), "restart")
        resume_after = fields.parsed("resume_after", delay_ticks, 0)
        seed = fields.whole("seed", 0, pg.MAX_U32, 0)
        if resume == "stay-off" and resume_after:
            self._note(fields.key_place("resume_after"), "resume_after has no effect with resume: stay-off")
        texts = (name, about, complaint, resume)
        if None in texts or limits is None or start is None or resume_after is None or seed is None:
            return None
        profile = Profile(
            name=name or "",
            about=about or "",
            complaint=complaint or "",
            start=start,
            draws=tuple(draws),
            limits=limits,
            resume=resume or "",
            resume_after_ticks=resume_after,
            seed=seed,
            board=self._board,
            file=self._findings.file,
            case=stated,
        )
        if fit.edges_hz(draws) > fit.SUSTAINED_HZ:
            message = (
                f"{fit.edges_hz(draws):.0f} edges/s are more than the box can go on with; {fit.TOO_FAST}"
            )
            self._note(draws[-1].place, message)
        if draws and not len(self._findings) and (said := case.parts(profile)):
            self._note(fields.key_place("complaint"), said)
        return replace(profile, notes=tuple(self._notes))

    def _note(self, node: Node, message: str) -> None:
        self._notes.append(Finding(message, self._findings.file, node.line, node.column))

    def _draws(self, fields: Fields, limits: Limits | None) -> list[Draw]:
        draws, sketches = read_draws(fields, self._findings)
        held = None if limits is None else limits.within(self._board.caps)
        if self._fitting:
            fit.check(draws, sketches, held, self._board, self._findings)
        else:
            fit.check_size(draws, self._findings)
        return draws

    def _limits(self, profile: Fields) -> Limits | None:
        """The limits with defaults for what is absent or wrong; None where the supply window isn't known."""
        defaults = self._limit_defaults()
        if "limits" not in profile:
            return Limits(*defaults)
        fields = Fields(profile.node("limits"), self._findings, "limits", tuple(LIMITS))
        values = []
        supply_known = fields.sound
        for (key, (dimension, bounds, whole)), default in zip(LIMITS.items(), defaults, strict=True):
            value = fields.quantity(key, dimension, bounds)
            if value is None and key in fields and dimension == "voltage":
                supply_known = False
            values.append(default if value is None else whole(value))
        limits = Limits(*values)
        return limits if supply_known and self._window_is_open(fields, limits) else None

    def _limit_defaults(self) -> list[int]:
        """The defaults; a board that is built for more volts than their highest has its own cap there."""
        defaults, caps = dict(zip(LIMITS, LIMIT_DEFAULTS, strict=True)), self._board.caps
        if defaults["supply_max"] <= caps["supply_min_mv"]:
            defaults["supply_max"] = caps["supply_max_mv"]
        return list(defaults.values())

    def _window_is_open(self, fields: Fields, limits: Limits) -> bool:
        """Find a supply window with nothing in it; note the limits that the board's own caps overrule."""
        held = limits.within(self._board.caps)
        place = fields.value_place("supply_min" if "supply_min" in fields else "supply_max")
        if limits.supply_min_mv >= limits.supply_max_mv:
            self._findings.add(place, f"supply_min must be below supply_max, not {_window(limits)}")
            return False
        if held.supply_min_mv >= held.supply_max_mv:
            self._findings.add(place, f"with the board's own caps no supply is left: {_window(held)}")
            return False
        for key, (name, value) in zip(LIMITS, vars(held).items(), strict=True):
            if key in fields and value != getattr(limits, name):
                message = f"limits.{key}: the cap of board {self._board.name} is tighter and wins"
                self._note(fields.value_place(key), message)
        return True

    def _start(self, profile: Fields, limits: Limits | None) -> Start | None:
        if "start" not in profile:
            return Start()
        fields = Fields(profile.node("start"), self._findings, "start", START_KEYS, ("when",))
        when = fields.choice("when", tuple(STARTS))
        below = fields.quantity("below", "voltage", SUPPLY_BOUNDS)
        steady = fields.parsed("steady", duration_ticks)
        after = fields.parsed("after", delay_ticks, 0)
        for key in REST_KEYS:
            if when == "supply-rest" and key not in fields:
                self._findings.add(fields.place, f"start lacks the key {key!r}: supply-rest needs it")
            elif when in ("power", "panel") and key in fields:
                self._findings.add(fields.key_place(key), f"{key} belongs to when: supply-rest")
        below_mv = 0 if below is None else units.to_mv(below)
        if when == "supply-rest" and below is not None and limits is not None:
            self._can_start(fields.value_place("below"), below_mv, limits)
        if when is None or after is None:
            return None
        return Start(when, below_mv, steady or 0, after)

    def _can_start(self, place: Node, below_mv: int, limits: Limits) -> None:
        lowest_mv = limits.within(self._board.caps).supply_min_mv
        if below_mv <= lowest_mv:
            lowest = f"{lowest_mv / 1000:g} V"
            self._findings.add(place, f"below must be above supply_min, {lowest}: else the run never starts")


def _name(text: str) -> str:
    if pg.name_is_valid(text):
        return text
    shape = "a small letter, then small letters, digits and '-', at most 32"
    raise ValueError(f"{units.shown(text)} is no name: {shape}")


def _prose(text: str, longest: int) -> str:
    if len(text) > longest:
        raise ValueError(f"must have at most {longest} characters, not {len(text)}")
    return " ".join(text.split())


def _window(limits: Limits) -> str:
    return f"{limits.supply_min_mv / 1000:g} V .. {limits.supply_max_mv / 1000:g} V"
