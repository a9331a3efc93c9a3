"""What the tests of finding share: profiles of a few draws, and searches for them."""

from __future__ import annotations

from pathlib import Path

from nightdraw import data
from nightdraw.bench import findable
from nightdraw.instruments.read import load_instruments
from nightdraw.profile import load
from nightdraw.profile.model import Profile
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.model import Vehicle

DEEP = "limits: {run: 100 h, charge: 100 Ah}\n"


def vehicle(name: str = "vehicle-1") -> Vehicle:
    return load_vehicle(data.shipped("vehicles", name))


def profile(tmp_path: Path, draws: str, more: str = DEEP) -> Profile:
    path = tmp_path / "case.yaml"
    path.write_text(f"profile: case\nstart: {{when: power}}\ndraws:\n{draws}{more}")
    return load(path)


def search(
    made: Profile, kit: str = "workshop", seed: int = 1, at: str = "tailgate", car: str = "vehicle-1"
) -> findable.Search:
    return findable.Search(made, vehicle(car), load_instruments(data.shipped("instruments", kit)), at, seed)


def by_name(made: Profile, kit: str = "workshop", **more) -> dict[str, findable.Method]:
    return {method.method: method for method in search(made, kit, **more).methods()}
