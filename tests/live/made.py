"""Cases for the tests of a live vehicle: shipped vehicles, boxes and instruments."""

from __future__ import annotations

from nightdraw import data
from nightdraw.bench.drive import Placed
from nightdraw.bench.setup import build
from nightdraw.instruments.read import load_instruments
from nightdraw.live import WORDS, moves
from nightdraw.live.vehicle import Case, LiveVehicle
from nightdraw.profile import load
from nightdraw.report.words import load_words
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.script import EMPTY, Script

TEXTS = load_words(None, WORDS)


def placed(profile: str, splice: str, seed: int = 1) -> Placed:
    return Placed(splice, load(data.profile(profile)).program(), build(seed=seed), seed)


def case(
    *boxes: tuple[str, str],
    kit: str = "workshop",
    vehicle: str = "vehicle-1",
    plan: Script = EMPTY,
    secret: bool = False,
    seed: int = 1,
) -> Case:
    return Case(
        load_vehicle(data.shipped("vehicles", vehicle)),
        tuple(placed(*box) for box in boxes),
        plan,
        load_instruments(data.shipped("instruments", kit)),
        seed,
        None,
        secret,
    )


def live(*boxes: tuple[str, str], **told) -> LiveVehicle:
    return LiveVehicle(case(*boxes, **told), TEXTS)


def do(one: LiveVehicle, name: str, **said) -> None:
    moves.act(one, {"do": name, **said})


def said(one: LiveVehicle) -> str:
    return "\n".join(text for _, text in one.messages)
