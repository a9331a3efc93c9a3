"""Conductors and fuse of a board: drop, heat, the next standard rating, what the vehicle's own fuse bears.

Theory of operation. The current of the design is the peak that firmware and resistors ever allow: every
channel on at the highest supply of the caps, resistors at the low end of their tolerance, own consumption
added.

- Fuse: the lowest standard rating whose share after derating for ambient temperature exceeds that current
  (ISO 8820-3 carrying capacity and the makers' derating curves, see parts.blade_fuses). It stands at the
  source, at the splice, and must protect the lead: a fuse may carry 135 % of its rating for minutes
  (blades.SLOW), so the lead's ampacity must be at least that.
- Conductors: temperature from the heat balance of conductor.py, drop at that temperature, at most
  DROP_SHARE of the nominal supply out and back.
- The circuit that the box is spliced into: its own fuse, derated, must bear its load and the box together.

Assumptions: one lead beside its return; short circuits are the fuse's own business, and what happens inside
the box is circuit.transients'. O(channels).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.bank.remarks import ERROR, NOTE, Remark
from nightdraw.bank.wiring.conductor import SIZES_MM2, Conductor
from nightdraw.board import BoardModel
from nightdraw.board.circuit import Fuse, Splice, Wire

DROP_SHARE = 0.03  # of the nominal supply, out and back: common practice for a branch circuit
WARM_SHARE = 0.8  # of the insulation's limit over ambient: common practice
LEAD_M = Fraction(2)  # a lead that the board file doesn't know
LEAD_C = Fraction(100)


@dataclass(frozen=True)
class ConductorRow:
    """One conductor: current, drop at its own temperature and at 20 C, temperature and limit."""

    name: str
    mm2: float
    length_m: float
    current_a: float
    mohm_m: float
    drop_mv: float
    drop_20c_mv: float
    temp_c: float
    limit_c: float
    carries_a: float
    ok: bool


@dataclass(frozen=True)
class ChosenFuse:
    """The box's own fuse: as the file says, or the one to fit where it says none."""

    rating_a: float
    type: str
    drop_mv: float | None
    drop_rated_mv: float | None
    colour: str | None
    source: str
    needed_a: float
    largest_a: float | None


@dataclass(frozen=True)
class Wiring:
    """The whole answer."""

    conductors: tuple[ConductorRow, ...]
    fuse: ChosenFuse
    peak_a: float
    remarks: tuple[Remark, ...]
    assumptions: tuple[str, ...]

    @property
    def ok(self) -> bool:
        return all(remark.severity != ERROR for remark in self.remarks)


def peak_a(board: BoardModel) -> float:
    """The most that the box ever draws, amperes: every channel on at the highest supply of the caps,
    resistors at the low end of their tolerance, and its own consumption."""
    volts = board.caps["supply_max_mv"] / 1000
    least = (float(c.ohms) * (1 - float(c.tolerance_pct) / 100) for c in board.channels)
    return sum(volts / ohms for ohms in least) + board.own_ua / 1e6


def wire_up(
    board: BoardModel, ambient_c: float, length_m: Fraction | None = None, splice: Splice | None = None
) -> Wiring:
    """Check a board's conductors and fuse; `length_m` is the lead's length one way instead of the file's."""
    peak = peak_a(board)
    lead = _lead(board, length_m)
    fuse = _fuse(board, lead, peak, ambient_c)
    rows = tuple(_rows(board, lead, peak, ambient_c))
    found = [
        *_conductor_remarks(board, rows, peak, ambient_c),
        *_fuse_remarks(board, fuse, lead, peak, ambient_c),
        *_splice_remarks(splice or board.circuit.splice, peak, ambient_c),
    ]
    return Wiring(rows, fuse, peak, tuple(found), _assumptions(board, peak, ambient_c))


def _lead(board: BoardModel, length_m: Fraction | None) -> Wire:
    """The lead of the file, else the thinnest standard one of 0.5 mm2 and up."""
    lead = board.circuit.lead or Wire(Fraction(3, 4), LEAD_M, LEAD_C)
    return lead if length_m is None else replace(lead, length_m=length_m)


def _rows(board: BoardModel, lead: Wire, peak: float, ambient_c: float) -> Iterator[ConductorRow]:
    volts = board.caps["supply_max_mv"] / 1000
    for name in ("lead, positive", "lead, negative"):
        yield _row(name, lead, peak, ambient_c, DROP_SHARE / 2 * board.supply_nominal_mv)
    inside = board.circuit.inside
    if inside is None:
        return
    allowed = DROP_SHARE / 2 * board.supply_nominal_mv
    yield _row("inside, supply and return", inside, peak, ambient_c, allowed)
    for number, channel in enumerate(board.channels, 1):
        least = float(channel.ohms) * (1 - float(channel.tolerance_pct) / 100)
        yield _row(f"inside, channel {number}", inside, volts / least, ambient_c, allowed)


def _row(name: str, wire: Wire, current_a: float, ambient_c: float, allowed_mv: float) -> ConductorRow:
    conductor = Conductor(float(wire.area_mm2), float(wire.temp_c))
    temp = conductor.steady_temp_c(current_a, ambient_c)
    mv_per_mohm_m = current_a * float(wire.length_m)
    drop = mv_per_mohm_m * conductor.mohm_m(temp)
    carries = conductor.ampacity_a(ambient_c)
    warmest = ambient_c + WARM_SHARE * (conductor.limit_c - ambient_c)
    return ConductorRow(
        name,
        float(wire.area_mm2),
        float(wire.length_m),
        current_a,
        conductor.mohm_m(),
        drop,
        mv_per_mohm_m * conductor.mohm_m(),
        temp,
        conductor.limit_c,
        carries,
        drop <= allowed_mv and temp <= warmest and current_a <= carries,
    )


def _fuse(board: BoardModel, lead: Wire, peak: float, ambient_c: float) -> ChosenFuse:
    """The file's fuse, or the next standard rating above the derated peak."""
    own = board.circuit.fuse
    kind = own.type if own else blades.MEDIUM
    needed = peak / blades.share(kind, ambient_c)
    carries = Conductor(float(lead.area_mm2), float(lead.temp_c)).ampacity_a(ambient_c)
    fitting = blades.next_rating(kind, peak, ambient_c) or blades.RATINGS[kind][-1]
    rating = float(own.rating_a) if own else fitting
    mohm, source = blades.cold_mohm(kind, rating)
    rated = blades.RATED_MV.get(rating) if kind == blades.MEDIUM else None
    return ChosenFuse(
        rating,
        kind,
        None if mohm is None else peak * mohm,
        None if rated is None else float(rated),
        blades.colour(kind, rating),
        source,
        needed,
        blades.largest_rating(kind, carries),
    )


def _conductor_remarks(
    board: BoardModel, rows: Sequence[ConductorRow], peak: float, ambient_c: float
) -> Iterator[Remark]:
    if board.circuit.lead is None:
        yield Remark("lead", "lead-missing", "the board file names no lead: key `lead`", ERROR)
    if board.circuit.inside is None:
        yield Remark("inside", "inside-missing", "the board file names no wires inside: key `inside`", ERROR)
    for row in rows:
        if not row.ok:
            allowed = DROP_SHARE / 2 * board.supply_nominal_mv
            better = _better(row, allowed, ambient_c)
            message = (
                f"{row.mm2:g} mm2 over {row.length_m:g} m drops {row.drop_mv:.0f} mV of {allowed:.0f} mV at "
                f"{row.current_a:.3g} A and settles at {row.temp_c:.0f} C: {better}"
            )
            yield Remark(row.name, "conductor", message, ERROR)


def _better(row: ConductorRow, allowed_mv: float, ambient_c: float) -> str:
    """The thinnest standard conductor that would do."""
    for size in SIZES_MM2:
        if size > row.mm2:
            wire = Wire(Fraction(size).limit_denominator(100), Fraction(row.length_m), Fraction(row.limit_c))
            if _row(row.name, wire, row.current_a, ambient_c, allowed_mv).ok:
                return f"take {size:g} mm2"
    return "make it shorter"


def _fuse_remarks(
    board: BoardModel, fuse: ChosenFuse, lead: Wire, peak: float, ambient_c: float
) -> Iterator[Remark]:
    if board.circuit.fuse is None:
        message = (
            f"no fuse at the source: fit a {fuse.rating_a:g} A type {fuse.type} at the splice (key `fuse`)"
        )
        yield Remark("fuse", "fuse-missing", message, ERROR)
    if fuse.rating_a not in blades.RATINGS[fuse.type]:
        message = f"{fuse.rating_a:g} A is no standard rating of type {fuse.type}"
        yield Remark("fuse", "fuse-rating", message, ERROR)
    share = blades.share(fuse.type, ambient_c)
    if peak > fuse.rating_a * share:
        message = (
            f"{fuse.rating_a:g} A bears {fuse.rating_a * share:.3g} A for ever at {ambient_c:g} C, the box "
            f"draws up to {peak:.3g} A: {_next(fuse.type, peak, ambient_c)}"
        )
        yield Remark("fuse", "fuse-below-load", message, ERROR)
    yield from _lead_remarks(fuse, lead, ambient_c)
    fitting = blades.next_rating(fuse.type, peak, ambient_c)
    if fitting is not None and fuse.rating_a > fitting:
        message = f"{fitting:g} A would do, {fuse.rating_a:g} A protects the box less well"
        yield Remark("fuse", "fuse-larger", message, NOTE)
    if board.supply_max_mv > 1000 * blades.VOLTS[0] or board.supply_nominal_mv >= 18_000:
        low, high = blades.VOLTS
        message = f"take one rated {high} V: a {low} V one may not break a 24 V system's peaks"
        yield Remark("fuse", "fuse-volts", message, NOTE)


def _next(kind: str, peak: float, ambient_c: float) -> str:
    rating = blades.next_rating(kind, peak, ambient_c)
    return f"take {rating:g} A" if rating else f"no type {kind} bears that"


def _lead_remarks(fuse: ChosenFuse, lead: Wire, ambient_c: float) -> Iterator[Remark]:
    carries = Conductor(float(lead.area_mm2), float(lead.temp_c)).ampacity_a(ambient_c)
    if blades.SLOW * fuse.rating_a <= carries:
        return
    largest = f"at most {fuse.largest_a:g} A" if fuse.largest_a else "none is small enough"
    message = (
        f"a {fuse.rating_a:g} A fuse on a {float(lead.area_mm2):g} mm2 lead: it may pass "
        f"{blades.SLOW * fuse.rating_a:.3g} A for minutes, the lead carries {carries:.3g} A for ever at "
        f"{ambient_c:g} C: {largest}, or {_thick(fuse, lead, ambient_c)}"
    )
    yield Remark("fuse", "fuse-above-conductor", message, ERROR)


def _thick(fuse: ChosenFuse, lead: Wire, ambient_c: float) -> str:
    for size in SIZES_MM2:
        if Conductor(size, float(lead.temp_c)).ampacity_a(ambient_c) >= blades.SLOW * fuse.rating_a:
            return f"{size:g} mm2"
    return "a cable of more than 10 mm2"


def _splice_remarks(splice: Splice | None, peak: float, ambient_c: float) -> Iterator[Remark]:
    if splice is None:
        message = f"the circuit's own fuse must carry {peak:.3g} A on top of its load (key `splice`)"
        yield Remark("splice", "splice-fuse", message, NOTE)
        return
    total = float(splice.load_a) + peak
    bears = float(splice.fuse_a) * blades.share(blades.MEDIUM, ambient_c)
    text = (
        f"{float(splice.load_a):g} A of its own and {peak:.3g} A of the box are {total:.3g} A; its "
        f"{float(splice.fuse_a):g} A fuse bears {bears:.3g} A for ever at {ambient_c:g} C"
    )
    if total > bears:
        text += ": splice into another circuit; never fit a larger fuse into a vehicle"
    yield Remark("splice", "splice-fuse", text, ERROR if total > bears else NOTE)


def _assumptions(board: BoardModel, peak: float, ambient_c: float) -> tuple[str, ...]:
    share = blades.share(blades.MEDIUM, ambient_c)
    return (
        f"{peak:.4g} A: every channel on at {board.caps['supply_max_mv'] / 1000:g} V, resistors at the low "
        "end of their tolerance, own consumption counted",
        "resistance: ISO 6722-1 highest values (from memory), else 17.241 mohm mm2/m and 8 % for stranding; "
        "alpha 0.00393/K from 20 C",
        f"heating: {ambient_c:g} C around, Churchill and Chu's horizontal cylinder and radiation; a lead "
        "beside its return carries 0.8 of one alone",
        f"drop: {100 * DROP_SHARE:g} % of the nominal supply out and back (common practice); the fuse's own "
        "is its cold resistance times the current, typical, cheap copies differ",
        f"fuse: peak over its derated share ({share:.2f} at {ambient_c:g} C), "
        f"next standard rating; the lead carries {blades.SLOW:g} times its rating",
    )


def chosen(board: BoardModel, ambient_c: float) -> Fuse:
    """The fuse that a board needs: medium blade, next rating above the derated peak."""
    rating = blades.next_rating(blades.MEDIUM, peak_a(board), ambient_c) or blades.RATINGS[blades.MEDIUM][-1]
    return Fuse(blades.MEDIUM, Fraction(rating))
