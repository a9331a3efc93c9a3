"""From a profile's YAML to the checked model: what each key means, and everything that can be wrong with it.

All findings of a file are collected and raised together. `table` has the keys, `draws` makes the draws, `fit`
knows the bank.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from nightdraw import data, places, programs
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import Finding
from nightdraw.fields import Read
from nightdraw.places import Findings, Node
from nightdraw.profile import case, fit
from nightdraw.profile.draws import made_draws
from nightdraw.profile.model import Draw, Limits, Profile, Start
from nightdraw.profile.table import LIMITS, PROFILE


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
        read = PROFILE.open(root, self._findings)
        limits = self._limits(read)
        start = self._start(read, limits)
        draws = self._draws(read, limits)
        if read["resume"] == "stay-off" and read["resume_after"]:
            keys = f"{read.key('resume_after')} has no effect with {read.key('resume')}: stay-off"
            self._note(read.key_place("resume_after"), keys)
        if not read.good or limits is None or start is None:
            return None
        profile = Profile(
            name=read["profile"],
            about=read["about"],
            complaint=read["complaint"],
            start=start,
            draws=tuple(draws),
            limits=limits,
            resume=read["resume"],
            resume_after_ticks=read["resume_after"],
            seed=read["seed"],
            board=self._board,
            file=self._findings.file,
            case=read["case"],
        )
        if fit.work_hz(draws) > fit.SUSTAINED_HZ:
            some = ", some after exponential gaps," if any(map(fit.is_exponential, draws)) else ""
            edges = f"{fit.edges_hz(draws):.0f} edges/s{some}"
            self._note(draws[-1].place, f"{edges} are more than the box can go on with; {fit.TOO_FAST}")
        if draws and not len(self._findings) and (finding := case.parts(profile)):
            self._note(read.key_place("complaint"), finding)
        return replace(profile, notes=tuple(self._notes))

    def _note(self, node: Node, message: str) -> None:
        self._notes.append(Finding(message, self._findings.file, node.line, node.column))

    def _draws(self, read: Read, limits: Limits | None) -> list[Draw]:
        draws, sketches = made_draws(read)
        held = None if limits is None else limits.within(self._board.caps)
        if self._fitting:
            fit.check(draws, sketches, held, self._board, self._findings)
        else:
            fit.check_size(draws, self._findings)
        return draws

    def _limits(self, profile: Read) -> Limits | None:
        """The limits with defaults for what is absent or wrong; None where the supply window isn't known."""
        defaults, read = self._limit_defaults(), profile["limits"]
        if "limits" not in profile:
            return Limits(**defaults)
        if read is None:
            return None
        given = {field.name: read[field.key] for field in LIMITS.fields if field.key in read}
        limits = Limits(**defaults | {name: value for name, value in given.items() if value is not None})
        supply_known = None not in (read["supply_min_mv"], read["supply_max_mv"])
        return limits if supply_known and self._window_is_open(read, limits) else None

    def _limit_defaults(self) -> dict[str, int]:
        """The defaults; a board that is built for more volts than their highest has its own cap there."""
        defaults, caps = {field.name: field.absent() for field in LIMITS.fields}, self._board.caps
        if defaults["supply_max_mv"] <= caps["supply_min_mv"]:
            defaults["supply_max_mv"] = caps["supply_max_mv"]
        return defaults

    def _window_is_open(self, read: Read, limits: Limits) -> bool:
        """Find a supply window with nothing in it; note the limits that the board's own caps overrule."""
        held = limits.within(self._board.caps)
        place = read.value_place("supply_min_mv" if "supply_min_mv" in read else "supply_max_mv")
        if limits.supply_min_mv >= limits.supply_max_mv:
            lowest, highest = read.key("supply_min_mv"), read.key("supply_max_mv")
            self._findings.add(place, f"{lowest} must be below {highest}, not {_window(limits)}")
            return False
        if held.supply_min_mv >= held.supply_max_mv:
            self._findings.add(place, f"with the board's own caps no supply is left: {_window(held)}")
            return False
        for field in LIMITS.fields:
            if field.key in read and getattr(held, field.name) != getattr(limits, field.name):
                message = f"limits.{field.key}: the cap of board {self._board.name} is tighter and wins"
                self._note(read.value_place(field.key), message)
        return True

    def _start(self, profile: Read, limits: Limits | None) -> Start | None:
        read = profile["start"]
        if "start" not in profile:
            return Start()
        if read is None:
            return None
        if read["when"] == "supply-rest" and read["below_mv"] and limits is not None:
            self._can_start(read, limits)
        return Start(**read.named()) if read.good else None

    def _can_start(self, read: Read, limits: Limits) -> None:
        lowest_mv = limits.within(self._board.caps).supply_min_mv
        if read["below_mv"] <= lowest_mv:
            lowest = f"{lowest_mv / 1000:g} V"
            message = f"{read.key('below_mv')} must be above supply_min, {lowest}: else the run never starts"
            read.add("below_mv", message)


def _window(limits: Limits) -> str:
    return f"{limits.supply_min_mv / 1000:g} V .. {limits.supply_max_mv / 1000:g} V"
