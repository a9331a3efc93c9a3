"""Mistakes in parts that refer to others: each is found, alone, where it stands, and nothing else is said."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.errors import InputError
from nightdraw.vehicle import load_vehicle

SOURCE = data.shipped("vehicles", "vehicle-5").read_text().replace(
    "defects:\n",
    "relays:\n  - {relay: fan, fuse: F8, power: 60 W, closed: [ignition], by: wiper}\ndefects:\n",
    1,
)  # fmt: skip
LAMP = "{lamp: interior, fuse: F8, power: 12 W"
RELAY = "{relay: fan, fuse: F8, power: 60 W, closed: [ignition], by: wiper}"
DEFECT = "{defect: restless-node, kind: no-sleep, module: keyless, on: no}"


def said(tmp_path: Path, old: str, new: str) -> list[str]:
    assert SOURCE.count(old) >= 1
    path = tmp_path / "case.yaml"
    path.write_text(SOURCE.replace(old, new, 1))
    try:
        load_vehicle(path)
    except InputError as error:
        return [finding.text() for finding in error.findings]
    return []


def test_the_file_that_is_spoilt_below_is_right(tmp_path: Path) -> None:
    assert said(tmp_path, LAMP, LAMP) == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (LAMP, LAMP.replace("12 W", "12 V"), "power"),
        (LAMP, LAMP.replace("F8", "F99"), "there is no fuse 'F99'"),
        (LAMP, LAMP.replace("12 W", "0 W"), "power"),
        (RELAY, RELAY.replace("60 W", "60 V"), "power"),
        (RELAY, RELAY.replace("F8", "F99"), "there is no fuse 'F99'"),
        (RELAY, RELAY.replace("wiper", "zzz"), "there is no module 'zzz'"),
        (DEFECT, DEFECT.replace("restless-node", "spurious-wake"), "the name 'spurious-wake' is taken by"),
        (DEFECT, DEFECT.replace("keyless", "keyles"), "did you mean 'keyless'"),
        (DEFECT, DEFECT.replace("keyless", "zzz"), "there is no module 'zzz'"),
        (DEFECT, DEFECT.replace("on: no", "on: perhaps"), "on"),
        ("buses: [comfort, drive]", "buses: [comfort, zzz]", "buses can't have 'zzz'"),
        ("buses: [comfort, drive]", "buses: [comfort, driv]", "did you mean 'drive'"),
    ],
)  # fmt: skip
def test_a_mistake_is_the_only_finding(tmp_path: Path, old: str, new: str, words: str) -> None:
    found = said(tmp_path, old, new)
    assert len(found) == 1, found
    assert words in found[0]


def test_a_name_like_no_other_is_answered_with_those_that_are_known(tmp_path: Path) -> None:
    (text,) = said(tmp_path, "buses: [comfort, drive]", "buses: [comfort, zzz]")
    assert "known: " in text
    assert "comfort" in text.partition("known: ")[2]
    (text,) = said(tmp_path, DEFECT, DEFECT.replace("keyless", "zzz"))
    assert "wiper" in text.partition("known: ")[2]


def test_what_is_rated_in_watts_conducts_at_twelve_volts(tmp_path: Path) -> None:
    path = tmp_path / "case.yaml"
    path.write_text(SOURCE)
    made = load_vehicle(path)
    (lamp,) = [lamp for lamp in made.lamps if lamp.name == "interior"]
    assert lamp.siemens == pytest.approx(12 / 144)
    assert made.relays[0].siemens == pytest.approx(60 / 144)
    assert (made.relays[0].by, made.relays[0].closed) == ("wiper", ("ignition",))
