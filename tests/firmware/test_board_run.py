"""The whole firmware on the fake board, main.py included, under CPython and under real MicroPython."""

from __future__ import annotations

from pathlib import Path
from random import Random
from typing import Any

import pytest
from boxcore import bank as banks
from boxcore import board as boards
from boxcore import program as pg
from boxcore import schedule
from nightdraw import programs
from nightdraw.link.firmware import board_json

from tests.firmware import pythons, rig
from tests.micropython import runner

ADC = {"4": 14_000, "26": 32_700, "27": 32_768}  # 12.6 V, 27 C
SUPPLY_MV = 12_625
RUN_MS = 3_000
FULL_COUNT = 65_535
WARM = (23_315, 500, *range(16_000, 400, -400))  # a thermistor's table of our own making


def define(slot: int, program: pg.Program) -> list[Any]:
    """The pieces of a line that stores a program."""
    packed = programs.pack(program)
    return [f"PROG:EXPL:DEF SLOT{slot},#5{len(packed):05d}", [packed.hex()], "\n"]


def pulses(start: int = pg.START_POWER, first: int = 5_000) -> pg.Program:
    """5 ms pulses, 10 ms apart, 0.5 s after the start; the base is the box's own consumption."""
    return pg.Program("pulses", [(pg.PULSE, 300_000, 50, 100, first)], start=start)


def busy(until_ms: int) -> list[Any]:
    """A link that is never quiet."""
    line = "MEAS:VOLT?;:MEAS:CURR?;*STB?;:DIAG:RUN?;:DIAG:HARD?\n"
    return [[ms, line] for ms in range(RUN_MS + 200, until_ms, 40)]


def asked(program: pg.Program, start_ns: int, end_ns: int) -> list[tuple[int, int]]:
    """When which pattern must be on the pins: from the schedule and the bank alone."""
    bank = banks.Bank(rig.CHANNELS_NS)
    plan = schedule.Schedule(program, 1, 11_000)
    edges, last = [], 0
    for tick, level_ua in programs.edges(plan, (end_ns - start_ns) // rig.NS_A_TICK):
        pattern = bank.pattern(max(0, level_ua - 11_000), SUPPLY_MV)
        if pattern != last:
            edges.append((start_ns + tick * rig.NS_A_TICK, pattern))
        last = pattern
    return edges


def started_ns(out: dict[str, Any]) -> int:
    """The run's zero as the box tells it, on the chip's clock."""
    told = next(reply for reply in out["replies"].split("\n") if ";RUNNING," in reply)
    return int(out["zero_ns"]) + int(told.split(";")[3].split(",")[3]) * rig.NS_A_TICK


@pytest.fixture(params=pythons.PYTHONS)
def which(request: pytest.FixtureRequest) -> str:
    """The Python that runs the firmware."""
    return str(request.param)


class Bench:
    """Boots with a script and keeps the folder, so that a second boot finds the first one's files."""

    def __init__(self, which: str, folder: Path) -> None:
        self.which, self.folder = which, folder

    def boot(self, board: boards.Board | None = None, **script: Any) -> dict[str, Any]:
        """One boot; see run_board.py for the script."""
        script.setdefault("adc", ADC)
        return pythons.boot(self.which, self.folder, board_json(board or rig.board()), script)


@pytest.fixture
def bench(which: str, tmp_path: Path) -> Bench:
    """A board with an empty file system."""
    return Bench(which, tmp_path)


def leave(ms: int) -> list[Any]:
    """Ends a boot by asking for maintenance."""
    return [ms, "*RST;:DIAG:MAIN;*OPC?\n"]


def test_edges_are_within_a_tick_of_the_asked_ones_with_a_busy_link_and_flash_stalls(
    bench: Bench, seed: int
) -> None:
    rng = Random(seed)
    draws = [
        (pg.RANDOM, 200_000, 50, 400, pg.UNIFORM, 60, 900),
        (pg.PULSE, 300_000, rng.randint(60, 900), 5_000, 6_000),
    ]
    program = pg.Program("both", draws, seed=seed)
    lines = [[RUN_MS - 500, *define(1, program)], [RUN_MS, "PROG:EXPL:STAT SLOT1,RUN\n"], *busy(24_000)]
    out = bench.boot(lines=[*lines, leave(24_500)], stall_ms=400, edges=20_000)
    assert out["ended"] == "reset"
    assert out["starved"] == 0
    start = started_ns(out)
    edges = [(ns, pins >> rig.FIRST_PIN) for ns, pins in out["edges"]]
    stopped = edges[-1][0] if edges[-1][1] == 0 else out["ns"]
    want = [edge for edge in asked(program, start, out["ns"]) if edge[0] < stopped - rig.NS_A_TICK]
    assert len(want) > 100
    assert [pattern for _, pattern in edges[: len(want)]] == [pattern for _, pattern in want]
    for (seen, _), (due, _) in zip(edges, want, strict=False):
        assert 0 <= seen - due <= rig.NS_A_TICK
    if bench.which == "micropython":
        runner.COUNTS.update(programs=1, edges=len(edges))


def test_both_pythons_do_the_same(tmp_path: Path) -> None:
    lines = [[RUN_MS - 500, *define(4, pulses())], [RUN_MS, "PROG:EXPL:STAT SLOT4,RUN\n"], *busy(6_000)]
    ours, theirs = (
        Bench(which, tmp_path / which).boot(lines=[*lines, leave(6_500)], stall_ms=45)
        for which in pythons.PYTHONS
    )
    assert ours["edges"] == theirs["edges"]
    assert ours["replies"] == theirs["replies"]


def test_without_its_power_monitor_the_box_works_and_says_so(bench: Bench) -> None:
    lines = [
        [RUN_MS - 500, *define(0, pulses())],
        [RUN_MS, "PROG:EXPL:STAT SLOT0,RUN\n"],
        [RUN_MS + 200, "MEAS:CURR?;:DIAG:HARD?\n"],
        leave(RUN_MS + 900),
    ]
    out = bench.boot(rig.board(monitor=True), lines=lines)
    current, hardware = out["replies"].split("\n")[0].split(";")
    assert current == "0.011000"
    assert hardware.split(",")[0] == "1"
    assert len(out["edges"]) > 10


def test_a_monitor_that_comes_and_goes(bench: Bench) -> None:
    # 50 milliohm: 50 uA a count
    out = bench.boot(
        rig.board(monitor=True),
        events=[[2_500, "monitor", 0x40, 2_000], [20_000, "monitor"]],
        lines=[
            [2_400, "DIAG:HARD?\n"],
            [14_000, "MEAS:CURR?;:DIAG:HARD?\n"],
            [22_000, "DIAG:HARD?\n"],
            leave(23_000),
        ],
    )
    before, between, after = out["replies"].split("\n")[:3]
    assert before.startswith("1,")
    assert between.startswith("0.111000;0,")  # 100 mA and the box's own 11 mA
    assert after.startswith("1,")


def test_a_thermistor_that_breaks_trips_with_the_buffer_off(bench: Bench) -> None:
    lines = [[RUN_MS - 500, *define(0, pulses(first=100))], [RUN_MS, "PROG:EXPL:STAT SLOT0,RUN\n"]]
    out = bench.boot(
        rig.board(thermistor=WARM),
        events=[[RUN_MS + 2_000, "adc", 27, FULL_COUNT]],
        lines=[*lines, [RUN_MS + 2_500, "DIAG:RUN?;:STAT:QUES:COND?\n"], leave(RUN_MS + 3_000)],
    )
    assert out["replies"].split("\n")[0].startswith("TRIPPED,0,1,")
    assert out["replies"].split("\n")[0].endswith(";16")
    assert (out["pins"], out["off"]) == (0, 1)
    tripped = out["edges"][-1][0] - (RUN_MS + 2_000) * 1_000_000
    assert 0 < tripped < 100 * 1_000_000  # nothing was written then: a sensing interval and a little


def test_the_panel_arms_and_disarms_without_a_laptop(bench: Bench) -> None:
    lines = [[RUN_MS - 500, *define(6, pulses(first=100))]]
    events = [[RUN_MS, "level", 17, 1], [RUN_MS, "level", 18, 1], [RUN_MS + 300, "level", 20, 1]]
    events.append([RUN_MS + 3_000, "level", 20, 0])
    out = bench.boot(lines=[*lines, leave(RUN_MS + 4_000)], events=events)
    on, off = out["edges"][0][0], out["edges"][-1][0]
    assert (RUN_MS + 300) * 1_000_000 < on < (RUN_MS + 700) * 1_000_000
    assert (RUN_MS + 2_990) * 1_000_000 < off < (RUN_MS + 3_200) * 1_000_000
    assert out["pins"] == 0


def test_a_run_comes_back_after_a_power_cut_by_itself(bench: Bench) -> None:
    lines = [[RUN_MS - 500, *define(2, pulses(first=100))], [RUN_MS, "PROG:EXPL:STAT SLOT2,RUN\n"]]
    first = bench.boot(lines=lines, events=[[RUN_MS + 1_500, "cut"]])
    assert first["ended"] == "power cut"
    second = bench.boot(lines=[leave(6_000)])
    assert len(second["edges"]) > 100
    assert second["edges"][0][0] < 1_000_000_000  # beside the window for the prompt, not behind it


def test_ctrl_c_opens_a_run_that_came_back_within_the_window(bench: Bench) -> None:
    lines = [[RUN_MS - 500, *define(2, pulses())], [RUN_MS, "PROG:EXPL:STAT SLOT2,RUN\n"]]
    bench.boot(lines=lines, events=[[RUN_MS + 1_500, "cut"]])
    out = bench.boot(events=[[1_000, "ctrl-c"]])
    assert (out["ended"], out["watched"], out["off"], out["pins"]) == ("interrupted", False, 1, 0)
    assert len(out["edges"]) > 10
    assert out["edges"][-1][0] < 1_200_000_000


def test_the_button_at_power_up_keeps_it_out(bench: Bench) -> None:
    out = bench.boot(levels={"21": 1})
    assert out["ended"] == "returned"
    assert (out["watched"], out["interrupt_byte"], out["off"], out["edges"]) == (False, 3, 1, [])


def test_maintenance_is_a_reset_to_the_prompt_without_a_watchdog(bench: Bench) -> None:
    out = bench.boot(lines=[[2_500, "DIAG:MAIN\n"]])
    assert (out["ended"], out["watched"]) == ("reset", True)
    again = bench.boot(scratch=out["scratch"])
    assert (again["ended"], again["watched"], again["scratch"]) == ("returned", False, 0)


def test_maintenance_is_refused_while_a_program_is_armed(bench: Bench) -> None:
    lines = [[RUN_MS - 500, *define(2, pulses())], [RUN_MS, "PROG:EXPL:STAT SLOT2,RUN\n"]]
    lines.append([RUN_MS + 300, "DIAG:MAIN\nSYST:ERR?\n"])
    out = bench.boot(lines=[*lines, leave(RUN_MS + 1_000)])
    assert out["replies"].startswith("-221,")


def test_ctrl_c_in_the_window_reaches_the_prompt_and_later_does_not(bench: Bench) -> None:
    out = bench.boot(events=[[1_000, "ctrl-c"]])
    assert (out["ended"], out["watched"], out["off"]) == ("interrupted", False, 1)
    assert "fault.txt" not in out["files"]
    later = bench.boot(events=[[3_000, "ctrl-c"]], lines=[[3_000, "\x03*IDN?\n*IDN?\n"], leave(4_000)])
    assert later["ended"] == "reset"
    assert later["replies"].count("NIGHTDRAW") >= 1


def test_any_exception_ends_with_every_switch_open_and_the_prompt(bench: Bench) -> None:
    lines = [[RUN_MS - 500, *define(2, pulses(first=100))], [RUN_MS, "PROG:EXPL:STAT SLOT2,RUN\n"]]
    out = bench.boot(lines=lines, events=[[RUN_MS + 1_000, "plant"]])
    assert len(out["edges"]) > 10
    assert (out["pins"], out["off"], out["ended"]) == (0, 1, "reset")
    assert "fault.txt" in out["files"]
    assert "planted" in (bench.folder / "fault.txt").read_text()
    again = bench.boot(scratch=out["scratch"])
    assert (again["ended"], again["watched"]) == ("returned", False)


def test_a_damaged_board_file_ends_at_the_prompt(which: str, tmp_path: Path) -> None:
    out = pythons.boot(which, tmp_path, b"00000000\n{}\n", {"adc": ADC})
    assert out["ended"].startswith("raised: board.json is damaged")
    assert not out["watched"]


def test_a_host_that_does_not_read_stalls_nothing(bench: Bench) -> None:
    lines = [[RUN_MS - 500, *define(2, pulses(first=100))], [RUN_MS, "PROG:EXPL:STAT SLOT2,RUN\n"]]
    lines += [[ms, "*IDN?;*IDN?\n"] for ms in range(RUN_MS + 100, RUN_MS + 4_000, 20)]
    events = [[RUN_MS + 100, "room", 30], [RUN_MS + 5_000, "room", 1 << 30]]
    out = bench.boot(lines=[*lines, [RUN_MS + 7_500, "*ESR?\n"], leave(RUN_MS + 8_000)], events=events)
    assert out["starved"] == 0
    gaps = [after[0] - before[0] for before, after in zip(out["edges"][:-1], out["edges"][1:], strict=True)]
    assert set(gaps[:-1]) == {5_000_000}
    assert out["replies"].rstrip().endswith("1")
