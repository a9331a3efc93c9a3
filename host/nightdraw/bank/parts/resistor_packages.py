"""Resistor packages that can be bought, as data: rating, derating law, voltage, tempco, pulse rules, each
with its source.

The law is the resistor's own, never a constant: most film and ceramic parts are rated at 70 C (IEC 60115-1),
some wirewound ones at 40 C, aluminium-clad ones at 25 C on a plate. A board file may add resistors of its
own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

AIR, PLATE = "air", "plate"
MOUNTINGS = (AIR, PLATE)
FILM, WIRE = "film", "wire"
KINDS = (FILM, WIRE)


@dataclass(frozen=True)
class Law:
    """Full `rating_w` up to `full_to_c`, then linearly down to nothing at `zero_at_c`."""

    rating_w: float
    full_to_c: float
    zero_at_c: float

    def allowed_w(self, surround_c: float) -> float:
        """What may be dissipated with the air (or the plate's air) at this temperature, watts."""
        share = (self.zero_at_c - surround_c) / (self.zero_at_c - self.full_to_c)
        return self.rating_w * min(1.0, max(0.0, share))

    @property
    def k_per_w(self) -> float:
        """The rise of the hot spot over its surroundings that the law implies: at full rating and the knee
        the part is at the temperature where nothing is allowed."""
        return (self.zero_at_c - self.full_to_c) / self.rating_w


@dataclass(frozen=True)
class ResistorPackage:
    """A resistor package: laws in free air and (None: not made for it) on a metal plate, and its bounds.

    plate_k_per_w: element to plate. ohms: the range it is made in; stocked: the series it is stocked in.
    heat_j_k: heat capacity. overload: so many times the rating for so many seconds. short_j: for wire, the
    energy that any short pulse may bring, joules; None (film): a pulse's power counts, not its energy.
    goods: what it is bought as (`drawings/buying`), for a package of a user's own that which it is like.
    """

    name: str
    about: str
    kind: str
    air: Law
    plate: Law | None
    plate_k_per_w: float
    volts_max: float
    ohms: tuple[float, float]
    stocked: tuple[str, ...]
    tempco_ppm: float
    heat_j_k: float
    overload_times: float
    overload_s: float
    short_j: float | None
    source: str
    goods: str

    def law(self, mounting: str) -> Law:
        """The derating law as mounted; on a plate that it isn't made for it is the one in air."""
        return self.plate if mounting == PLATE and self.plate else self.air

    @property
    def limit_c(self) -> float:
        """The hot spot's highest temperature: where the derating law allows nothing any more."""
        return self.air.zero_at_c


FILM_SHEETS = (
    "general-purpose metal film sheets (MFR and MF series): 70 C to 155 C, 2.5 x rated voltage for 5 s"
)
HEAT_FILM = "; heat capacity from the resistor's volume at 3 g/cm3 and 0.85 J/gK (derived)"
CERAMIC_SHEET = (
    "ceramic-encased wirewound sheet (HEA series): rating at 70 C, zero at 275 C, mass, ohms, +150 ppm/K; "
    "5 x the rating for 5 s and 0.85 J/gK from memory; short-pulse energy 4.9 J per rated watt, a maker's "
    "example of 24.5 J for 5 W"
)
CLAD_SHEET = (
    "aluminium-clad sheets: WH series for the rating at 25 C on 30.5 x 30.5 cm x 1.5 mm aluminium, zero at "
    "200 C, volts, ohms, 75 ppm/K and K/W on that plate (the plate's share left in: on the safe side); HS "
    "series for free air; mass, 0.9 J/gK and 5 x for 5 s from memory; 4.9 J per rated watt as for other wire"
)
SHORT_J_PER_W = 4.9  # 24.5 J in 1 ms for a 5 W body: see CERAMIC_SHEET
FILM_OVERLOAD = 6.25  # 2.5 times the rated voltage
WIRE_OVERLOAD = 5.0  # 5 to 10 times, by maker and size: the lower
OVERLOAD_S = 5.0


def _film(watts: float, volts: float, heat_j_k: float) -> ResistorPackage:
    return ResistorPackage(
        name=f"film-{watts:g}w",
        about=f"metal film, axial, {watts:g} W at 70 C",
        kind=FILM,
        air=Law(watts, 70, 155),
        plate=None,
        plate_k_per_w=0.0,
        volts_max=volts,
        ohms=(1.0, 1_000_000.0),
        stocked=("E24", "E96"),
        tempco_ppm=100.0,
        heat_j_k=heat_j_k,
        overload_times=FILM_OVERLOAD,
        overload_s=OVERLOAD_S,
        short_j=None,
        source=FILM_SHEETS + HEAT_FILM,
        goods=f"film-{watts:g}w",
    )


def _ceramic(watts: float, grams: float, ohms: tuple[float, float]) -> ResistorPackage:
    return ResistorPackage(
        name=f"ceramic-{watts:g}w",
        about=f"ceramic-encased wirewound, axial, {watts:g} W at 70 C",
        kind=WIRE,
        air=Law(watts, 70, 275),
        plate=None,
        plate_k_per_w=0.0,
        volts_max=(watts * ohms[1]) ** 0.5,
        ohms=ohms,
        stocked=("E24",),
        tempco_ppm=150.0,
        heat_j_k=0.85 * grams,
        overload_times=WIRE_OVERLOAD,
        overload_s=OVERLOAD_S,
        short_j=SHORT_J_PER_W * watts,
        source=CERAMIC_SHEET,
        goods=f"ceramic-{watts:g}w",
    )


def _clad(
    on_plate_w: float, in_air_w: float, k_per_w: float, volts: float, top: float, grams: float
) -> ResistorPackage:
    return ResistorPackage(
        name=f"clad-{on_plate_w:g}w",
        about=f"aluminium-clad wirewound, screwed down, {on_plate_w:g} W at 25 C on a plate",
        kind=WIRE,
        air=Law(in_air_w, 25, 200),
        plate=Law(on_plate_w, 25, 200),
        plate_k_per_w=k_per_w,
        volts_max=volts,
        ohms=(0.05, top),
        stocked=("E24",),
        tempco_ppm=75.0,
        heat_j_k=0.9 * grams,
        overload_times=WIRE_OVERLOAD,
        overload_s=OVERLOAD_S,
        short_j=SHORT_J_PER_W * in_air_w,
        source=CLAD_SHEET,
        goods=f"clad-{on_plate_w:g}w",
    )


_SILICONE = replace(
    _ceramic(5.0, 4.0, (0.1, 10_000.0)),
    name="silicone-5w",
    about="silicone-coated wirewound, axial, 5 W at 40 C",
    air=Law(5.0, 40, 275),
    tempco_ppm=120.0,
    source="silicone-coated wirewound sheet (HIA series): full power to 40 C, zero at 275 C; mass and ohms "
    "from memory, pulses as for other wire",
    goods="silicone-5w",
)

# In the order in which sizing tries them: the small ones in air first, then what carries its heat to a plate.
CATALOGUE: dict[str, ResistorPackage] = {
    package.name: package
    for package in (
        _film(0.25, 250, 0.07),
        _film(0.6, 350, 0.07),
        _film(1, 350, 0.47),
        _film(2, 500, 0.78),
        _film(3, 500, 1.2),
        _clad(10, 5.5, 16.0, 150, 10_000.0, 4.0),
        _clad(15, 8.0, 10.0, 250, 20_000.0, 7.0),
        _clad(25, 12.5, 6.0, 500, 44_000.0, 16.0),
        _clad(50, 20.0, 3.5, 1250, 120_000.0, 35.0),
        _ceramic(5, 2.3, (0.05, 16_000.0)),
        _ceramic(10, 7.3, (0.1, 33_000.0)),
        _ceramic(17, 13.8, (0.1, 70_000.0)),
        _SILICONE,
    )
}


def own_package(name: str, like: ResistorPackage, given: Mapping[str, Fraction]) -> ResistorPackage:
    """A resistor package of the user's own: the one it is like, with what a board file says
    otherwise, by key in base units (the keys are in board.parts)."""
    number = {key: float(value) for key, value in given.items()}
    full_to = number.get("full_to", like.air.full_to_c)
    zero_at = number.get("zero_at", like.air.zero_at_c)
    air = Law(number.get("rating", like.air.rating_w), full_to, zero_at)
    plate = like.plate
    if plate or "plate_rating" in number:
        rating = number.get("plate_rating", plate.rating_w if plate else air.rating_w)
        plate = Law(rating, full_to, zero_at)
    return replace(
        like,
        name=name,
        air=air,
        plate=plate,
        plate_k_per_w=number.get("to_plate", like.plate_k_per_w or (plate or air).k_per_w),
        volts_max=number.get("volts", like.volts_max),
        tempco_ppm=number["tempco"] * 1e6 if "tempco" in number else like.tempco_ppm,
        heat_j_k=number.get("heat", like.heat_j_k),
        short_j=None if like.short_j is None else SHORT_J_PER_W * air.rating_w,
        source="the board file" + (f", else as {like.name}" if like.name != name else ""),
    )
