"""The trim: what a meter said is believed by everything that predicts, whole or not at all, or refused."""

from fractions import Fraction

import pytest
from boxcore import bank, port, sensors, trim
from boxcore import program as pg
from boxcore.board import HARDWARE
from hypothesis import assume, given
from hypothesis import strategies as some

from tests.boxcore import fakes
from tests.boxcore.refusals import refused
from tests.micropython import doors, link_rig

NOMINAL_NS = fakes.board().channels_ns
S = pg.TICKS_PER_S


def opened(store=None, nominal_ns=NOMINAL_NS):
    found = trim.Trim(store or fakes.MemoryStore(), nominal_ns)
    found.open()
    return found


@given(some.integers(1, 10), some.integers(810, 1190), some.integers(9_000, 16_000))
def test_a_reading_is_the_conductance_by_ohms_law(channel, per_mille, supply_mv):
    found = opened()
    current_ua = NOMINAL_NS[channel - 1] * per_mille // 1000 * supply_mv // 10**6
    exact_ns = Fraction(current_ua, 10**6) / Fraction(supply_mv, 1000) * 10**9
    assert abs(found.take(channel, current_ua, supply_mv) - exact_ns) <= Fraction(1, 2)
    again = opened(found._store)
    assert again.channels_ns == found.channels_ns
    assert [again.figures_ns(k + 1)[1] != 0 for k in range(10)] == [k + 1 == channel for k in range(10)]


@given(some.integers(1, 10), some.integers(0, 10**7), some.integers(1_000, 16_000))
def test_what_is_more_than_a_fifth_off_is_refused_and_nothing_less(channel, current_ua, supply_mv):
    nominal_ns = NOMINAL_NS[channel - 1]
    off = abs(Fraction(current_ua * 10**6, supply_mv) / nominal_ns - 1)
    assume(abs(off - Fraction(1, 5)) > Fraction(1, nominal_ns))  # rounding decides at the very edge
    found = opened()
    if off > Fraction(1, 5):
        assert "check channel, range, lead, resistor" in refused(
            -340, found.take, channel, current_ua, supply_mv
        )
        assert found._store.files == {}
    else:
        found.take(channel, current_ua, supply_mv)


@given(some.lists(some.integers(12_000, 12_800), min_size=1, max_size=6))
def test_the_supplys_gain_is_found_however_often_it_is_trimmed(truths_mv):
    """A box that reads 2 % low: after each trim its reading is the meter's, to a converter's rounding."""
    found = opened()
    for true_mv in truths_mv:
        raw_mv = true_mv * 98 // 100
        found.take_supply(true_mv, trim.corrected_mv(raw_mv, found.supply_ppm))
        assert abs(trim.corrected_mv(raw_mv, found.supply_ppm) - true_mv) <= 1
        assert abs(found.supply_ppm - 20_408) < 200


def test_a_supply_that_no_divider_explains_is_refused():
    found = opened()
    refused(-340, found.take_supply, 13_300, 12_600)
    refused(-340, found.take_supply, 11_900, 12_600)
    refused(-340, found.take_supply, 12_600, 0)
    assert (found.supply_ppm, found._store.files) == (0, {})


@pytest.mark.parametrize("torn", [0.0, 0.5, 1.0])
def test_a_power_cut_leaves_the_old_trim_or_the_new_one(torn):
    for cut_at in range(1, 20):
        store = fakes.MemoryStore()
        found = opened(store)
        found.take(3, 5_300, 12_600)
        old = found.channels_ns
        store.operations, store.cut_at, store.torn = 0, cut_at, torn
        try:
            found.take(3, 5_400, 12_600)
            survived = True
        except fakes.PowerCut:
            survived = False
        again = opened(fakes.MemoryStore(store.files))
        assert again.lost == 0
        assert again.channels_ns in ([found.channels_ns] if survived else [old, _with(old, 3, 5_400)])
        if survived:
            assert cut_at > 2
            return
    pytest.fail("the trim never came to an end")


def _with(channels_ns, channel, current_ua):
    true_ns = round(Fraction(current_ua * 10**6, 12_600))
    return tuple(true_ns if k + 1 == channel else ns for k, ns in enumerate(channels_ns))


def trimmed_store():
    found = opened()
    for channel in range(1, 11):
        found.take(channel, NOMINAL_NS[channel - 1] * 13_000 // 10**6, 12_600)
    return found._store


def test_what_is_damaged_or_of_another_bank_is_not_believed_and_is_told():
    whole = trimmed_store().files["trim"]
    for at in range(len(whole)):
        for bad in (whole[:at] + bytes((whole[at] ^ 4,)) + whole[at + 1 :], whole[:at]):
            found = opened(fakes.MemoryStore({"trim": bad}))
            assert (found.lost, found.channels_ns, found.supply_ppm) == (trim.DAMAGED, NOMINAL_NS, 0)
    other = opened(fakes.MemoryStore({"trim": whole}), NOMINAL_NS[::-1])
    assert (other.lost, other.channels_ns) == (trim.FOREIGN, NOMINAL_NS[::-1])
    fewer = opened(fakes.MemoryStore({"trim": whole}), NOMINAL_NS[:9])
    assert (fewer.lost, fewer.channels_ns) == (trim.FOREIGN, NOMINAL_NS[:9])
    elsewhere = fakes.MemoryStore()
    trim.save(elsewhere, (5, 6), (5, 6), 0)
    for bad, lost in ((whole[:-1], trim.DAMAGED), (elsewhere.files["trim"], trim.FOREIGN)):
        world = fakes.World(fakes.MemoryStore({"trim": bad})).boot()
        assert [(record["part"], record["detail"]) for record in world.records("damage")] == [("trim", lost)]
        assert world.box.bank.channels_ns == NOMINAL_NS
        doors.call(world.box, 0, "CALibration:READing", 1, NOMINAL_NS[0] * 12_600 // 10**6, 12_600)
        assert world.box.trim.lost == opened(world.store).lost == 0  # a new trim takes the bad one's place


def test_what_the_tables_cannot_hold_is_not_believed():
    nominal_ns = (bank.MAX_NS // 2, bank.MAX_NS // 2)
    store = fakes.MemoryStore()
    trim.save(store, nominal_ns, (bank.MAX_NS // 2 + 10, bank.MAX_NS // 2), 0)
    found = opened(store, nominal_ns)
    assert (found.lost, found.channels_ns) == (trim.DAMAGED, nominal_ns)
    refused(-222, found.take, 1, bank.MAX_NS // 2 // 100 * 110, 10**6)


def test_the_standards_number_tells_that_calibration_was_lost():
    rig = link_rig.Rig()
    rig.store.files["trim"] = b"damaged"
    again = link_rig.Rig()
    again.store.files.update(rig.store.files)
    again.box.boot(0, again.readings)
    from boxcore.commands import Instrument

    again.instrument = Instrument(again.box)
    assert again.say(b"SYST:ERR?\n") == b'-313,"Calibration memory lost;it is damaged"\n'


def test_a_failing_store_keeps_the_old_trim():
    found = opened(trimmed_store())
    before = found.channels_ns, found.supply_ppm
    found._store.broken = True
    refused(-250, found.take, 1, 1_400, 12_600)
    refused(-250, found.take_supply, 12_700, 12_600)
    refused(-250, found.clear)
    found._store.broken = False
    assert (found.channels_ns, found.supply_ppm) == before == (opened(found._store).channels_ns, 0)


def true_current_ua(world, true_ns):
    siemens = sum(ns for k, ns in enumerate(true_ns) if world.hal.pattern_at(world.now) >> k & 1)
    return world.board.own_ua + siemens * 12_600 // 10**6


@given(some.lists(some.integers(-190, 190), min_size=10, max_size=10), some.integers(30_000, 600_000))
def test_a_trimmed_box_predicts_what_its_true_bank_draws(offs, level_ua):
    """Any bank within 19 %: once every channel is trimmed, prediction and journal are the truth, at the level
    that is nearest to the wanted one."""
    true_ns = [ns * (1000 + off) // 1000 for ns, off in zip(NOMINAL_NS, offs, strict=True)]
    world = fakes.World().boot()
    for channel, ns in enumerate(true_ns, start=1):
        doors.call(
            world.box, world.now, "CALibration:READing", channel, round(Fraction(ns * 12_600, 10**6)), 12_600
        )
    for again in (world, world.cut()):  # and after a power loss
        known_ns = again.box.bank.channels_ns
        assert all(abs(a - b) <= 41 for a, b in zip(known_ns, true_ns, strict=True))  # half a uA at 12.6 V
        again.box.level(again.now, level_ua)
        again.run(S)
        told_ua = again.box.level_ua
        assert abs(told_ua - true_current_ua(again, true_ns)) <= 6  # ten roundings of half a microampere
        assert again.records("edge")[-1]["level_ua"] == told_ua
        assert again.hal.pattern_at(again.now) == bank.Bank(known_ns).pattern(level_ua - 11_000, 12_600)
        again.box.halt(again.now)


def test_a_trim_is_heeded_by_a_level_that_was_picked_before_it():
    """The same level at the same supply: before, after, and after the trim was taken back."""
    world = fakes.World().boot()

    def plays():
        world.box.level(world.now, 300_000)
        world.run(S)
        world.box.halt(world.now)
        return world.hal.played[-2][1]

    before = plays()
    wanted = 300_000 - 11_000
    for channel in range(1, 11):
        doors.call(
            world.box,
            world.now,
            "CALibration:READing",
            channel,
            NOMINAL_NS[channel - 1] * 11_000 // 10**6,
            12_600,
        )
    after = plays()
    assert after == bank.Bank(world.box.bank.channels_ns).pattern(wanted, 12_600) != before
    doors.call(world.box, world.now, "CALibration:CLEar")
    assert plays() == before == bank.Bank(NOMINAL_NS).pattern(wanted, 12_600)


def test_clearing_believes_the_board_file_again():
    world = fakes.World(trimmed_store()).boot()
    box = world.box
    assert box.bank.channels_ns != NOMINAL_NS
    doors.call(box, 1, "CALibration:CLEar", 4)
    assert [a == b for a, b in zip(box.bank.channels_ns, NOMINAL_NS, strict=True)] == [
        k == 3 for k in range(10)
    ]
    doors.call(box, 2, "CALibration:CLEar")
    assert box.bank.channels_ns == NOMINAL_NS == world.cut().box.bank.channels_ns


def test_the_journal_tells_every_trim():
    world = fakes.World().boot()
    doors.call(world.box, 1, "CALibration:READing", 2, 2_800, 12_600)
    doors.call(world.box, 2, "CALibration:SUPPly", 12_663)
    doors.call(world.box, 3, "CALibration:CLEar", 2)
    doors.call(world.box, 4, "CALibration:CLEar")
    said = [(record["tick"], record["channel"], record["ns"]) for record in world.records("trim")]
    assert said == [(1, 2, 222_222), (2, 0, 1_005_000), (3, 2, NOMINAL_NS[1]), (4, 0, 1_000_000)]
    assert world.hal.supply_ppm == 0


@pytest.mark.parametrize("channel", range(1, 11))
def test_a_channel_closed_for_the_meter_is_that_one_alone(channel):
    """Even where other channels together draw the same, and while the supply moves."""
    twins = fakes.Board("twins", [110_000] * 10, range(2, 12), 11_000, False, fakes.board().caps)
    world = fakes.World(the_board=twins).boot()
    doors.call(world.box, 0, "CALibration:CLOSe", channel, 10)
    for supply_mv in (12_600, 12_100, 13_000, 12_600):
        world.readings.supply_mv = supply_mv
        world.run(2 * S)
        assert world.hal.pattern_at(world.now) == 1 << channel - 1
    world.run(2 * S + 1)
    assert (world.box.state, world.hal.pattern_at(world.now)) == ("idle", 0)
    assert {pattern for _, pattern in world.played()} == {0, 1 << channel - 1}


def test_a_closed_channel_is_guarded_as_a_hand_level_is():
    world = fakes.World().boot()
    doors.call(world.box, 0, "CALibration:CLOSe", 10, 10)
    world.run(S)
    world.readings.bank_cdeg = 12_000
    world.run(S)
    assert (world.box.state, world.hal.pattern_at(world.now)) == ("tripped", 0)
    world.box.clear(world.now)
    world.readings.supply_mv = 5_000
    refused(-221, doors.call, world.box, world.now, "CALibration:CLOSe", 1, 1)


def test_the_same_level_by_hand_and_by_a_closed_channel():
    """One level, two ways to make it: whichever came first, the next is made its own way."""
    twins = fakes.Board("twins", [110_000] * 10, range(2, 12), 11_000, False, fakes.board().caps)
    world = fakes.World(the_board=twins).boot()
    level_ua = 11_000 + 110_000 * 12_600 // 10**6
    nearest = world.box.bank.pattern(level_ua - 11_000, 12_600)
    assert nearest != 1 << 6
    for _ in range(2):
        world.box.level(world.now, level_ua)
        world.run(S)
        assert world.hal.pattern_at(world.now) == nearest
        doors.call(world.box, world.now, "CALibration:CLOSe", 7, 10)
        world.run(S)
        assert world.hal.pattern_at(world.now) == 1 << 6


def test_a_level_after_a_closed_channel_uses_the_whole_bank_again():
    world = fakes.World().boot()
    doors.call(world.box, 0, "CALibration:CLOSe", 1, 10)
    world.run(S)
    world.box.level(world.now, 200_000)
    world.run(S)
    assert abs(true_current_ua(world, NOMINAL_NS) - 200_000) < 1_000


class Converter:
    def __init__(self, count):
        self.count = count

    def read_u16(self):
        return self.count


def a_shell(supply, full_mv):
    """The sensors of a board that has nothing else fitted."""
    hardware = {**HARDWARE, "supply_full_mv": full_mv}
    return sensors.Sensors(hardware, False, lambda pin: supply, Converter(0), None)


def test_the_boards_reading_follows_the_trim_and_none_is_lost_to_rounding():
    found = a_shell(Converter(32_640), 25_300)
    readings = port.Readings()
    found.read(readings)
    before_mv = readings.supply_mv
    for ppm in (20_000, -50_000, 0):
        found.trim_supply(ppm)
        found.read(readings)
        assert abs(readings.supply_mv - before_mv * (10**6 + ppm) / 10**6) <= 1
    found = a_shell(Converter(65_535), sensors.MAX_FULL_MV)
    found.trim_supply(50_000)
    found.read(readings)
    assert readings.supply_mv == sensors.MAX_FULL_MV  # small integers still: no garbage while sensing
