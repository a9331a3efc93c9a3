"""Files that are damaged, swapped or out of reach: no load, and the journal says so."""

import pytest
from boxcore import states as st

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, STEADY, S, open_between, plan
from tests.boxcore.test_box_run import started


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
