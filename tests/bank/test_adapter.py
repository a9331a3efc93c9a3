"""The fuse cap: watertight by another library, clear of its neighbours; the committed files are fresh."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import data
from nightdraw.bank.mechanics.fuse_cap import (
    CAPS,
    LEAST_GAP_MM,
    Cap,
    cap_for,
    problems,
    solid,
    stl,
)
from nightdraw.cli.bank import group
from nightdraw.errors import InputError

KINDS = sorted(CAPS)
MUCH_MM = 100.0


def mesh(content: bytes) -> Any:
    """The STL as trimesh sees it, its corners merged."""
    import trimesh

    return trimesh.load(io.BytesIO(content), file_type="stl")


def block(long: float, wide: float, low: float, high: float, y: float = 0.0) -> Any:
    """A box about the z axis."""
    from manifold3d import Manifold

    return Manifold.cube([long, wide, high - low]).translate([-long / 2, y - wide / 2, low])


@pytest.mark.parametrize("kind", KINDS)
def test_the_cap_is_one_watertight_solid(kind: str) -> None:
    seen = mesh(stl(CAPS[kind]))
    assert seen.is_watertight
    assert seen.is_winding_consistent
    assert seen.volume > 0, "inside is inside"
    assert seen.body_count == 1
    low, high = seen.bounds
    cap = CAPS[kind]
    assert high[0] - low[0] == pytest.approx(cap.outer_length, abs=1e-3)
    assert high[1] - low[1] == pytest.approx(cap.outer_width, abs=1e-3)


@given(st.sampled_from(KINDS), st.floats(0.5, 1.2), st.floats(0.0, 0.3))
def test_other_pins_and_fits_stay_watertight(kind: str, pin: float, fit: float) -> None:
    cap = replace(CAPS[kind], pin=pin, fit=fit, pitch=MUCH_MM)
    if problems(cap):
        with pytest.raises(InputError):
            solid(cap)
        return
    seen = mesh(stl(cap))
    assert seen.is_watertight
    assert seen.body_count == 1


@pytest.mark.parametrize("kind", KINDS)
def test_the_fuse_fits_inside_and_only_the_ridges_touch_it(kind: str) -> None:
    cap = CAPS[kind]
    fuse = block(cap.length, cap.width, -cap.grip, 0.0)
    touching = solid(cap) ^ fuse
    ridges = 2 * cap.length * 0.4 * cap.bump * 0.8
    assert touching.volume() == pytest.approx(ridges, rel=0.01)


@pytest.mark.parametrize("kind", KINDS)
def test_neighbours_stay_clear(kind: str) -> None:
    """Solid against solid: the next fuse in the row, and a cap on it, both widened by the least gap."""
    cap = CAPS[kind]
    body = solid(cap)
    for side in (-1, 1):
        y = side * cap.pitch
        fuse = block(cap.length, cap.width + 2 * LEAST_GAP_MM, -20.0, 20.0, y)
        assert (body ^ fuse).volume() == 0
        assert (body ^ body.translate([0.0, y - side * LEAST_GAP_MM, 0.0])).volume() == 0


@pytest.mark.parametrize("kind", KINDS)
def test_a_pin_goes_straight_through_to_the_fuse(kind: str) -> None:
    from manifold3d import Manifold

    cap = CAPS[kind]
    for side in (-1, 1):
        pin = Manifold.cylinder(40.0, cap.pin / 2, cap.pin / 2, 32).translate(
            [side * cap.spacing / 2, 0.0, 0.0]
        )
        assert (solid(cap) ^ pin).volume() == 0


@pytest.mark.parametrize("kind", KINDS)
def test_the_pins_are_kept_apart_by_the_fin(kind: str) -> None:
    cap = CAPS[kind]
    bridge = block(cap.spacing, 0.1, cap.roof + cap.collar, cap.roof + cap.collar + 0.5)
    assert (solid(cap) ^ bridge).volume() > 0, "the fin stands between the pins above the collars"


@pytest.mark.parametrize(
    ("change", "said"),
    [({"pitch": 5.0}, "side by side"), ({"wall": 0.2}, "don't print"), ({"spacing": 1.0}, "no room"),
     ({"spacing": 30.0}, "beyond the cap's ends"), ({"bump": 3.0}, "ridges meet")],
)  # fmt: skip
def test_a_cap_that_cannot_be_is_refused(change: dict[str, float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        solid(replace(CAPS["C"], **change))  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", KINDS)
def test_the_committed_files_are_not_stale(kind: str) -> None:
    """Compared as solids: the library may cut its triangles otherwise in another version."""
    cap: Cap = CAPS[kind]
    committed = mesh((data.folder("hardware") / "fuse-cap" / f"{cap.name}.stl").read_bytes())
    fresh = mesh(stl(cap))
    assert committed.is_watertight
    assert committed.volume == pytest.approx(fresh.volume, rel=1e-4)
    assert committed.bounds == pytest.approx(fresh.bounds, abs=1e-3)
    assert committed.center_mass == pytest.approx(fresh.center_mass, abs=1e-3)
    page = (data.folder("hardware") / "fuse-cap" / "README.md").read_text()
    assert f"{cap.length:g} x {cap.width:g}" in page
    for number in (cap.spacing, cap.pitch, cap.grip):
        assert f"| {number:.1f} |" in page


def test_the_command_writes_and_refuses(tmp_path: Path) -> None:
    out = tmp_path / "cap.stl"
    result = CliRunner().invoke(group, ["adapter", "--type", "C", "--pin", "1mm", "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert mesh(out.read_bytes()).volume == pytest.approx(
        mesh(stl(cap_for("C", pin_mm=1.0))).volume, rel=1e-6
    )
    result = CliRunner().invoke(group, ["adapter", "--type", "C", "--pitch", "6mm", "--out", str(out)])
    assert isinstance(result.exception, InputError)
