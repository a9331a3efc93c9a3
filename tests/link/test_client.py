"""What a program asks of a box, against the core itself: values, refusals, versions, other instruments."""

from __future__ import annotations

from fractions import Fraction

import pytest
from boxcore import commands
from boxcore import program as pg
from boxcore.states import BoxError
from nightdraw import __version__, journals
from nightdraw.errors import InputError, LinkError
from nightdraw.link import BoxClient, LoopTransport, RefusedError, client, open_box, queries

from tests.micropython import link_cases
from tests.micropython.link_rig import CHANNELS_NS, OWN_UA, TICKS_PER_S, Rig


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def box(rig: Rig) -> BoxClient:
    return open_box(LoopTransport(rig.say))


def test_identity_and_facts(box):
    assert box.idn() == client.Identity("NIGHTDRAW", "rig", "42", __version__)
    assert box.facts() == client.BoardFacts("rig", OWN_UA, CHANNELS_NS)


def test_another_version_is_refused_with_the_command_that_mends_it(rig, monkeypatch):
    monkeypatch.setattr(client, "__version__", "9.9.9")
    with pytest.raises(LinkError, match=f"{__version__}.*9\\.9\\.9.*nightdraw box install"):
        open_box(LoopTransport(rig.say))


@pytest.mark.parametrize("locked", [False, True])
def test_a_box_of_another_version_opens_its_switches_before_it_is_refused(rig, box, monkeypatch, locked):
    box.level(200_000)
    rig.box.lock.locked = locked
    monkeypatch.setattr(client, "__version__", "9.9.9")
    with pytest.raises(LinkError, match="told to open every switch, and answered"):
        open_box(LoopTransport(rig.say), to_halt=True)
    assert rig.box.state == "idle"


@pytest.mark.parametrize("answer", [b"ACME,X,1,2\n", b"OK\n", b"\n", b"\xff\xff,1,2,3\n"])
def test_another_instrument_is_no_box(answer):
    with pytest.raises(LinkError, match="no Nightdraw box answers there"):
        open_box(LoopTransport(lambda data: answer if b"*IDN?" in data else b""))


def test_nobody_is_no_box():
    with pytest.raises(LinkError, match=r"no believable answer to \*IDN\? in 4 tries"):
        open_box(LoopTransport(lambda data: b""))


def test_programs_go_in_and_come_out(box, rig):
    assert box.slots() == []
    for slot, data in ((3, link_cases.PROGRAM), (9, link_cases.LONG), (3, link_cases.OTHER)):
        stored = box.send(slot, data)
        assert (stored.slot, stored.bytes) == (slot, len(data))
        assert box.program(slot) == data
    assert [(stored.slot, stored.profile) for stored in box.slots()] == [(3, "other"), (9, "long")]
    box.delete(3)
    box.delete(3)
    assert [stored.slot for stored in box.slots()] == [9]
    assert box.stored(3) is None
    with pytest.raises(RefusedError):
        box.program(3)


def test_bytes_that_are_no_program_are_refused_and_change_nothing(box):
    box.send(0, link_cases.PROGRAM)
    with pytest.raises(RefusedError, match="CRC-32 differs") as refusal:
        box.send(0, link_cases.OTHER[:-1] + b"?")
    assert refusal.value.code == -285
    assert box.program(0) == link_cases.PROGRAM
    assert box.errors() == []


def test_wrong_slots_and_sizes_never_reach_the_line(box):
    for slot in (-1, 10):
        for request in (box.stored, box.program, box.delete, box.arm):
            with pytest.raises(InputError, match="slots are 0 to 9"):
                request(slot)
    with pytest.raises(InputError, match="a slot holds 16384"):
        box.send(0, bytes(pg.MAX_BYTES + 1))


def test_a_run_from_arming_to_halting(box, rig):
    with pytest.raises(RefusedError, match="slot 5 is empty"):
        box.arm(5)
    box.send(5, link_cases.PROGRAM)
    rig.wait(1234)
    assert box.arm(5) == client.RunState("running", 5, 1, 1234)
    with pytest.raises(RefusedError) as refusal:
        box.arm(5)
    assert refusal.value.code == -221
    status = box.status()
    assert status.run == client.RunState("running", 5, 1, 1234)
    assert status.questionable == 0
    assert status.measured.supply_v == 12.6
    assert status.measured.temp_c == 25.12
    assert box.clock() == rig.now
    assert box.halt().state == "idle"
    assert box.arm(5).run == 2


def test_a_level_by_hand(box):
    assert box.level(111_800).state == "level"
    assert box.measure().current_a == pytest.approx(0.1118, abs=1e-6)
    with pytest.raises(RefusedError, match="the box refused :CURR 500000 UA: Data out of range;0"):
        box.level(500_000)
    assert box.halt().state == "idle"


def test_a_trip_is_cleared(box, rig):
    box.send(0, link_cases.PROGRAM)
    box.arm(0)
    rig.readings.bank_cdeg = 12_000
    rig.wait(10)
    assert box.run().state == "tripped"
    assert box.status().questionable == 16
    rig.readings.bank_cdeg = 2_500
    with pytest.raises(RefusedError):
        box.arm(0)
    assert box.clear().state == "idle"


def test_no_sensor_no_temperature(box, rig):
    rig.readings.bank_cdeg = -1
    assert box.measure().temp_c is None


def test_self_test(rig):
    rig = Rig(monitor=True)
    box = open_box(LoopTransport(rig.say))
    assert box.selftest() == 0
    rig.hal.probe_pct = 50
    assert box.selftest() == 1


def test_a_pair_of_times_is_journaled_where_the_box_is_open_and_the_line_good(box, rig):
    def zeros():
        """When the box's clock was 0, by each pair of its journal: seconds since 1970."""
        clocks = [record for record in box.read_journal().records() if record["kind"] == "clock"]
        return [record["utc_s"] - record["tick"] / TICKS_PER_S for record in clocks]

    rig.wait(3 * TICKS_PER_S)
    assert box.note_time(lambda: 1_790_000_000.25) is True
    assert zeros() == [1_790_000_000.25 - 3]
    rig.box.lock.locked = True
    assert box.note_time(lambda: 1_790_000_001.0) is False
    rig.box.lock.locked = False
    deaf = open_box(LoopTransport(lambda data: b"\xff\n" if b":DIAG:CLOC" in data else rig.say(data)))
    assert deaf.note_time(lambda: 1_790_000_002.0) is False
    assert len(zeros()) == 1


def test_the_journal_comes_in_pieces_and_says_how_far_it_is(box, rig):
    box.send(0, link_cases.PROGRAM)
    box.arm(0)
    rig.wait(3_000 * TICKS_PER_S)
    box.halt()
    seen = []
    read = box.read_journal(progress=lambda done, total: seen.append((done, total)))
    assert read.data == journals.whole(rig.box.journal)
    assert [record["kind"] for record in read.records()][:4] == ["page", "boot", "arm", "start"]
    assert seen[-1] == (len(read.data), len(read.data))
    assert len(seen) > 1
    later = box.read_journal(since=read.start + len(read.data) - 20)
    assert later.data == read.data[-20:]
    assert box.read_journal(since=1 << 29).data == b""


def test_a_journal_whose_oldest_file_goes_meanwhile_is_read_anew(box, rig, monkeypatch):
    moved = []
    read_at = rig.box.journal.read_at

    def read_once_too_late(offset, length):
        if not moved:
            moved.append(offset)
            raise BoxError(-222, "the journal holds 16384 to 32768")
        return read_at(offset, length)

    monkeypatch.setattr(rig.box.journal, "read_at", read_once_too_late)
    assert box.read_journal().data == journals.whole(rig.box.journal)
    assert moved


def test_errors_are_read_and_gone(box, rig):
    rig.say(b"BOGUS\nOUTP MAYBE\n")
    assert box.errors() == [(-113, "Undefined header"), (-224, "Illegal parameter value")]
    assert box.errors() == []


def test_errors_of_an_earlier_program_are_not_blamed_on_this_one(rig):
    rig.say(b"BOGUS\n*ID")
    assert open_box(LoopTransport(rig.say)).halt().state == "idle"


def test_only_a_simulated_box_skips_time(box, rig):
    with pytest.raises(LinkError, match="only a simulated box"):
        box.advance(5)

    def skip(ins, ticks):
        rig.wait(ticks)
        ins.now = rig.now

    from boxcore import commands_common, scpi_text

    seconds = (lambda item: scpi_text.scaled(item, {"": 4}, 0, 10**9),)
    row = ("DIAGnostic:CLOCk:ADVance", commands_common.OPEN, 1, seconds, skip)
    rig.instrument = commands.Instrument(rig.box, (row,))
    before = rig.now
    seen = []
    box.advance(Fraction(36_000_001, 10_000), progress=lambda done, total: seen.append(done))
    assert rig.now == before + 36_000_001
    assert seen[-1] == 36_000_001


def test_a_box_that_ends_in_mid_air_is_an_error(rig):
    """Power goes between two requests: every request says so, none makes something up."""
    alive = True
    box = open_box(LoopTransport(lambda data: rig.say(data) if alive else b""))
    alive = False
    for request in (box.run, box.measure, box.halt, box.errors, box.clock, box.read_journal):
        with pytest.raises(LinkError, match="no believable answer"):
            request()


def test_a_checksum_of_the_box_has_32_bits_and_no_more() -> None:
    """A CRC-32 and a run's number: the highest is one, one more is none."""
    for number in (0, 0xFFFFFFFF):
        assert queries.PROGRAM.read(b'"a",64,%d' % number, "here")[2] == number
        assert queries.RUN.read(b"IDLE,0,%d,-1" % number, "here")[2] == number
    for said, query in ((b'"a",64,4294967296', queries.PROGRAM), (b"IDLE,0,4294967296,-1", queries.RUN)):
        with pytest.raises(LinkError, match="the box answered"):
            query.read(said, "here")
