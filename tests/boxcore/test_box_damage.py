"""Files that are damaged, swapped or out of reach: no load, and the journal says so."""

import pytest
from boxcore import program as pg
from boxcore import states as st
from boxcore.files import FileStore
from hypothesis import given
from hypothesis import strategies as some

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, STEADY, S, open_between, plan
from tests.boxcore.test_box_run import started
from tests.micropython import doors


def loaded(world):
    """True where any switch was closed since the boot."""
    return not open_between(world.played(), 0, world.now + 1)


@pytest.mark.parametrize("name", ["ledger", "slot0"])
@pytest.mark.parametrize("damage", ["flip", "cut", "empty", "zero", "blank"])
def test_a_damaged_file_means_no_load_and_is_journaled(name, damage):
    world = started(plan(STEADY)).run(60 * S)
    data = world.store.files[name]
    world.store.files[name] = {
        "flip": data[:20] + bytes((data[20] ^ 4,)) + data[21:],
        "cut": data[:-5],
        "empty": b"",
        "zero": bytes(len(data)),
        "blank": b"\xff" * len(data),
    }[damage]
    world.cut().run(60 * S)
    assert (world.box.state, loaded(world)) == (st.IDLE, False)
    parts = [(record["part"], record["detail"]) for record in world.records("damage")]
    assert parts[0] == {"ledger": ("ledger", 0), "slot0": ("slot", 0)}[name]
    if name == "ledger":
        world.arm().run(S)  # the program itself is sound
        assert world.box.state == st.RUNNING
    else:
        with pytest.raises(st.BoxError):
            world.box.arm(world.now, 0)


def test_another_program_in_the_armed_slot_is_not_run():
    world = started(plan(STEADY)).run(60 * S)
    other = fakes.World().boot()
    other.load(plan(PULSE))
    other.load(plan(PULSE))
    world.store.files["slot0"] = other.store.files["slot0"]
    world.cut().run(60 * S)
    assert (world.box.state, loaded(world)) == (st.IDLE, False)
    assert world.records("damage")


def test_a_box_with_nothing_stored_is_idle_and_says_nothing():
    world = fakes.World().boot()
    world.run(600 * S)
    assert (world.box.state, world.kinds()) == (st.IDLE, ["page", "boot"])


@pytest.mark.parametrize("call", ["read", "names", "size"])
def test_a_store_that_cannot_be_read_means_no_load(call):
    world = started(plan(STEADY)).run(60 * S)
    store = fakes.MemoryStore(world.store.files)

    def fail(*arguments):
        raise OSError(5)

    setattr(store, call, fail)
    world = fakes.World(store).boot()
    world.run(5 * S)
    delattr(store, call)  # so that the journal can be read here
    if call == "read":
        assert (world.box.state, loaded(world)) == (st.IDLE, False)
        assert {record["part"] for record in world.records("damage")} >= {"ledger", "slot"}
    else:
        assert [record["part"] for record in world.records("damage")] == ["journal"]
        assert world.box.state == st.RUNNING  # the journal is not what a run rests on


def test_a_store_that_cannot_be_written_at_boot_means_no_load():
    world = started(plan(STEADY)).run(60 * S)
    store = fakes.MemoryStore(world.store.files)
    store.broken = True
    store.read = store.files.get
    world = fakes.World(store).boot().run(60 * S)
    assert (world.box.state, world.box.fault, loaded(world)) == (st.TRIPPED, st.STORAGE_BAD, False)


SMALL = ["ledger", "ledger.new", "lock.new", "trim", "trim.new", "slot.new", "slot3", "r0000000000", "other"]
CALLS = ("read", "read_at", "open", "create", "write", "append", "rename", "delete", "names", "size")


class Faulty(fakes.MemoryStore):
    """Fails once, in its `at`-th call of any kind."""

    def __init__(self, files, at):
        super().__init__(files)
        self.left = at

    def __getattribute__(self, name):
        found = super().__getattribute__(name)
        if name not in CALLS:
            return found

        def call(*arguments):
            self.left -= 1
            if not self.left:
                raise OSError(5, "EIO")
            return found(*arguments)

        return call


def test_one_failure_of_the_store_at_any_place_of_a_boot_is_survived():
    before = fakes.World().boot()
    before.load(plan(STEADY), 2)
    before.load(plan(PULSE), 7)
    before.run(20 * S)
    at = 0
    booted = 0
    while booted < 1:
        at += 1
        store = Faulty(dict(before.store.files), at)
        world = fakes.World(store).boot().run(20 * S)
        slots = world.box.slots
        assert len(doors.bad(slots)) <= 1
        booted = store.left
        if booted > 0:
            break
        assert {slots.info(2).name, slots.info(7).name} == {"plan"}
        for slot in list(doors.bad(slots)):  # an empty one, which is looked at once more when it is asked for
            with pytest.raises(st.BoxError, match="empty"):
                slots.info(slot)
        assert doors.bad(slots) == []
        world.arm(slot=2).run(S)
        assert world.box.state == st.RUNNING
    assert at > 15  # every slot, the ledger, lock, trim and journal were read before


@given(some.sampled_from([*SMALL, "slot2"]), some.binary(max_size=600) | some.just(b"NDrw" + bytes(90)))
def test_a_boot_survives_any_bytes_in_any_file(name, data):
    before = fakes.World().boot()
    before.load(plan(STEADY), 2)
    before.run(20 * S)
    before.store.files[name] = data
    world = before.cut().run(20 * S)
    if name != "slot2":
        world.arm(slot=2).run(S)
        assert world.box.state == st.RUNNING
    else:
        assert doors.bad(world.box.slots) == [2]
        world.load(plan(PULSE), 2)
    assert world.box.slots.info(2).name == "plan"


@pytest.mark.parametrize("name", [*SMALL, "slot2"])
def test_a_boot_survives_a_folder_in_place_of_any_file(name, tmp_path):
    store = FileStore(str(tmp_path))
    before = fakes.World(store).boot()
    before.load(plan(STEADY), 4)
    before.run(20 * S)
    if (tmp_path / name).exists():
        (tmp_path / name).unlink()
    (tmp_path / name / "in" / "it").mkdir(parents=True)
    world = fakes.World(store).boot().run(20 * S)
    if name.startswith("slot") and name != "slot.new":
        assert doors.bad(world.box.slots) == [int(name[4:])]
    for slot in (2, 3):
        world.load(plan(PULSE), slot)
    world.arm(slot=4).run(20 * S)
    assert (world.box.state, doors.bad(world.box.slots)) == (st.RUNNING, [])
    assert world.records("start")


def test_a_slot_that_could_not_be_read_once_can_be_armed():
    world = fakes.World().boot()
    world.load(plan(STEADY))
    store = Faulty(world.store.files, 1)
    slots = fakes.World(store).box.slots
    store.left = 1
    assert slots.scan(0)
    assert doors.bad(slots) == [0]
    assert (slots.load(0).name, doors.bad(slots), slots.infos[0].name) == ("plan", [], "plan")


def test_an_older_format_is_listed_as_damaged_and_replaced():
    world = fakes.World().boot()
    world.load(plan(STEADY), 1)
    data = bytearray(world.store.files["slot1"])
    data[4] = pg.FORMAT + 1
    world.store.files["slot1"] = bytes(data)
    world.cut()
    with pytest.raises(st.BoxError, match="format") as refusal:
        world.box.arm(world.now, 1)
    assert refusal.value.code == -311
    world.load(plan(STEADY), 1)
    world.arm(slot=1).run(S)
    assert world.box.state == st.RUNNING


def test_a_sensing_that_fails_opens_every_switch_before_anybody_hears_of_it(monkeypatch):
    world = started(plan(STEADY)).run(10 * S)
    assert world.hal.pattern_at(world.now)
    stops = world.hal.stops

    def fail(now, supply_mv):
        raise RuntimeError("a defect of our own")

    monkeypatch.setattr(world.box.slow_supply, "take", fail)
    with pytest.raises(RuntimeError):
        world.sense()
    assert world.hal.stops > stops
    assert world.hal.pattern_at(world.now) == 0


def test_a_program_that_outruns_the_box_trips_instead_of_staying_dark():
    """Seven draws that change a thousand times a second each: behind an empty queue the box would never catch
    up, and the watchdog reset it for ever."""
    draws = [(pg.RANDOM, 20_000 + 1_000 * k, 10, 10, pg.EXPONENTIAL, 10, 10) for k in range(7)]
    world = started(plan(STEADY, *draws)).run(S)
    assert world.box.state == st.RUNNING
    world.now += 3 * S  # a step that is so late
    world.visit(world.now)
    assert (world.box.state, world.box.fault) == (st.TRIPPED, st.TOO_FAST)
    assert world.played()[-1][1] == 0
    assert world.records("trip")[-1]["fault"] == "too-fast"
