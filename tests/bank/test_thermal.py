"""Warm-up: the network's own laws, the steady state that it must end in, and pulses that a mean hides."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from boxcore import program as pg
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw import data, programs
from nightdraw.bank.heat import plot, touch
from nightdraw.bank.heat import profile_heat as profile_heats
from nightdraw.bank.heat.mounted import box_of, mounted_channels
from nightdraw.bank.heat.profile_heat import profile_heat
from nightdraw.bank.heat.steady_state import steady_heat
from nightdraw.bank.heat.thermal_network import ThermalNetwork
from nightdraw.bank.heat.verdicts import ELECTRONICS_C
from nightdraw.bank.heat.warm_up import WarmUp, patterns, warm_up
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import InputError
from nightdraw.profile import load

from tests.bank.boards import board, channel

nodes = st.integers(1, 5)
amounts = st.floats(0.1, 50)


@st.composite
def networks(draw: st.DrawFn) -> tuple[ThermalNetwork, np.ndarray, np.ndarray]:
    count = draw(nodes)
    sizes = st.lists(amounts, min_size=count, max_size=count)
    links = [(k, k + 1, draw(amounts)) for k in range(count - 1)]
    to_ambient = [0.0] * (count - 1) + [draw(amounts)]
    network = ThermalNetwork(draw(sizes), links, to_ambient)
    return network, np.array(draw(sizes)), np.array(draw(sizes))


@given(networks(), st.floats(0.01, 500), st.floats(0.01, 500))
def test_two_steps_are_one(
    made: tuple[ThermalNetwork, np.ndarray, np.ndarray], first: float, second: float
) -> None:
    network, rises, powers = made
    twice = network.advance(network.advance(rises, powers, first), powers, second)
    assert twice == pytest.approx(network.advance(rises, powers, first + second), rel=1e-6, abs=1e-6)


@given(networks(), st.floats(0.01, 500))
def test_heat_and_history_add_up(made: tuple[ThermalNetwork, np.ndarray, np.ndarray], seconds: float) -> None:
    network, rises, powers = made
    apart = network.advance(rises, 0 * powers, seconds) + network.advance(0 * rises, powers, seconds)
    assert network.advance(rises, powers, seconds) == pytest.approx(apart, rel=1e-9, abs=1e-9)


def test_without_a_way_out_all_heat_stays() -> None:
    network = ThermalNetwork([2.0, 3.0], [(0, 1, 0.7)], [0.0, 0.0])
    rises = network.advance(np.zeros(2), np.array([1.5, 0.0]), 40.0)
    assert rises @ np.array([2.0, 3.0]) == pytest.approx(1.5 * 40)


def test_a_pulse_of_a_millisecond_warms_by_its_energy() -> None:
    """Too short to lose any: joules over heat capacity."""
    network = ThermalNetwork([0.07], [], [1 / 140])
    assert network.advance(np.zeros(1), np.array([3.0]), 1e-3)[0] == pytest.approx(3e-3 / 0.07, rel=1e-3)


def run_of(model: BoardModel, segments: list[tuple[float, int]], ambient_c: float = 40.0) -> WarmUp:
    channels = mounted_channels(model)
    return warm_up(model, channels, box_of(model, channels), ambient_c, 16.0, segments)


def test_a_long_run_ends_where_the_steady_state_is() -> None:
    model = load_board()
    run = run_of(model, [(8 * 3600.0, 2 ** len(model.channels) - 1)])
    steady = steady_heat(model, 40.0)
    assert run.air_c == pytest.approx(steady.air.air_c, abs=0.1)
    brushed = next(part for part in steady.parts if part.name == "wall, brushed")
    assert run.wall_c == pytest.approx(brushed.temp_c, abs=0.1), "table, plot and verdict say the same"
    for number in range(len(model.channels)):
        assert run.peaks_c[number] == pytest.approx(steady.parts[number].temp_c, abs=0.1)
    assert (np.diff(run.temps_c, axis=0) > -1e-9).all()  # it only ever warms


def test_half_the_time_on_is_as_warm_as_half_the_heat() -> None:
    """Fast pulses: the box sees the mean, the resistors a ripple around it."""
    model = board(channel(50, "ceramic-10w"))
    half = board(channel(100, "ceramic-10w"))
    pulsed = run_of(model, [(0.5, 1), (0.5, 0)] * 7200)
    steady = run_of(half, [(7200.0, 1)])
    assert pulsed.wall_c == pytest.approx(steady.wall_c, abs=0.3)
    assert pulsed.peaks_c[0] == pytest.approx(steady.peaks_c[0], abs=3)
    assert pulsed.total_j == pytest.approx(steady.total_j, rel=0.01)


def test_on_times_run_through_changes_of_pattern() -> None:
    model = board(channel(1000, "film-1w"), channel(2000, "film-1w"))
    run = run_of(model, [(2.0, 1), (3.0, 3), (1.0, 0), (4.0, 1)])
    assert [(use.longest_s, use.on_s) for use in run.uses] == [(5.0, 9.0), (3.0, 3.0)]
    assert run.uses[0].joules == pytest.approx(16**2 / 1000 * 9)


def pulse_program(draw_ma: int, on_s: float, every_s: float, run_s: int) -> pg.Program:
    ticks = pg.TICKS_PER_S
    draw = (pg.PULSE, draw_ma * 1000, int(on_s * ticks), int(every_s * ticks), 0)
    return pg.Program("pulsed", [draw], run_ticks=run_s * ticks)


def test_patterns_are_the_boxs_own_and_fill_the_run() -> None:
    model = load_board()
    segments = list(patterns(model, pulse_program(350, 0.7, 75, 300), 16_000))
    assert sum(seconds for seconds, _ in segments) == pytest.approx(300)
    on = [seconds for seconds, pattern in segments if pattern]
    assert on == pytest.approx([0.7] * 4)
    wanted = {model.bank().pattern(350_000, 16_000), 0}
    assert {pattern for _, pattern in segments} == wanted


def test_a_body_too_small_for_ever_passes_in_short_rare_pulses_and_fails_in_long_ones() -> None:
    """160 ohm, 1.6 W at 16 V, in a 0.6 W film: 6.25 times the rating for up to 5 s, seldom enough."""
    model = board(channel(160, "film-0.6w"))
    assert not steady_heat(model, 25.0).ok
    short = profile_heat(model, pulse_program(100, 1, 120, 3600), 25.0)
    assert short.heat.ok
    long = profile_heat(model, pulse_program(100, 100, 120, 3600), 25.0)
    failed = {part.name for part in long.heat.parts if not part.ok}
    assert failed >= {"channel 1", "channel 1, pulse"}
    assert all(part.remedy for part in long.heat.parts if not part.ok)


def test_a_pulse_beyond_the_overload_rule_fails_though_its_mean_is_nothing() -> None:
    model = board(channel(39, "film-0.6w"))
    heat = profile_heat(model, pulse_program(400, 1, 600, 3600), 25.0).heat
    failed = next(part for part in heat.parts if part.name == "channel 1, pulse")
    assert failed.dissipation_w == pytest.approx(16**2 / 39)
    assert failed.allowed_w == pytest.approx(6.25 * 0.6)
    assert not failed.ok


@pytest.mark.parametrize("path", data.profile_paths(), ids=lambda path: path.stem)
def test_every_shipped_profile_keeps_the_shipped_board_cool(path: Path) -> None:
    model = load_board()
    program = load(path, model).program()
    ticks = min(programs.numbers(program)["run_ticks"], 1200 * pg.TICKS_PER_S)
    short = pg.Program(program.name, program.draws, seed=program.seed, run_ticks=ticks)
    assert profile_heat(model, short, 40.0).heat.ok


@settings(deadline=None, max_examples=10)
@given(st.floats(20, 400), st.floats(0, 60))
def test_a_run_is_never_hotter_than_everything_on_for_ever(ohms: float, ambient_c: float) -> None:
    model = board(channel(ohms, "ceramic-17w"), channel(2 * ohms, "ceramic-17w"))
    run = run_of(model, [(600.0, 1), (300.0, 3), (200.0, 0), (900.0, 2)], ambient_c)
    steady = steady_heat(model, ambient_c)
    assert run.wall_c <= steady.air.wall_c + 0.1
    assert run.peaks_c[0] <= steady.parts[0].temp_c + 0.1
    assert run.peaks_c.min() >= ambient_c


def test_a_plot_is_drawn_and_other_suffixes_are_refused(tmp_path: Path) -> None:
    model = board(channel(100, "film-3w"))
    run = run_of(model, [(600.0, 1)])
    for suffix, start in ((".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF")):
        path = tmp_path / f"warm{suffix}"
        plot.draw(path, run, [155.0], "warm-up", 85.0, 65.0)
        assert path.read_bytes().startswith(start)
    with pytest.raises(InputError, match=r"\.png"):
        plot.draw(tmp_path / "warm.xls", run, [155.0], "warm-up", 85.0, 65.0)
    with pytest.raises(InputError, match="its folder isn't there"):
        plot.draw(tmp_path / "none" / "warm.png", run, [155.0], "warm-up", 85.0, 65.0)


def test_a_part_just_at_its_limit_holds() -> None:
    """And needs no remedy."""
    box = SimpleNamespace(metal=True)

    def seen(air_c: float, wall_c: float) -> SimpleNamespace:
        return SimpleNamespace(air_c=air_c, wall_c=wall_c, total_j=100.0, seconds=10.0)

    burn_c, handling_c = touch.burn_limit_c(touch.METAL), touch.handling_limit_c(touch.METAL)
    for above, ok in ((0.0, True), (0.1, False)):
        inside, handled = seen(ELECTRONICS_C + above, burn_c + above), seen(20.0, handling_c + above)
        parts = profile_heats._box_parts(box, (inside, 20.0), (handled, 20.0))  # type: ignore[arg-type]
        assert [part.ok for part in parts] == [ok] * 3
        assert [not part.remedy for part in parts] == [ok] * 3
