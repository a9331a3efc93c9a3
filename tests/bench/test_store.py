"""The bench's flash: what a power cut may and may not do to files."""

from __future__ import annotations

import errno

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.bench.store import MemoryStore, PowerCut

ARGUMENTS = {"write": ("a", b"2"), "append": ("a", b"2"), "rename": ("a", "b"), "delete": ("a",), "sync": ()}
DATA = st.binary(max_size=40)


def synced(lazy: bool = True, **files: bytes) -> MemoryStore:
    store = MemoryStore(lazy=lazy)
    for name, data in files.items():
        store.write(name, data)
    store.sync()
    return store


def after_a_cut(store: MemoryStore) -> MemoryStore:
    store.lose_power()
    store.revive()
    return store


def test_reads_back_what_was_written():
    store = MemoryStore()
    store.write("a", b"one")
    store.append("a", b"two")
    store.append("b", b"new")
    assert store.read("a") == b"onetwo"
    assert store.read_at("a", 2, 3) == b"etw"
    assert (store.size("a"), store.size("none"), store.read("none")) == (6, None, None)
    assert store.read_at("none", 0, 1) is None
    assert store.names() == ["a", "b"]
    store.delete("a")
    store.delete("a")
    assert store.names() == ["b"]


def test_closing_a_file_makes_it_safe_unless_the_store_is_lazy():
    """As the board's file system does."""
    store = MemoryStore()
    store.append("log", b"one")
    store.append("log", b"two")
    assert after_a_cut(store).read("log") == b"onetwo"


@given(seed=st.integers(0, 999))
def test_a_cut_append_is_torn_and_no_other(seed):
    store = MemoryStore(seed)
    store.append("log", b"safe")
    store.cut_at = 2
    with pytest.raises(PowerCut):
        store.append("log", b"more")
    store.revive()
    assert store.read("log") in (b"safe", b"safem", b"safemo", b"safemor", b"safemore")


def test_what_was_synced_survives_a_cut():
    store = after_a_cut(synced(a=b"safe", b=b"too"))
    assert (store.read("a"), store.read("b")) == (b"safe", b"too")


@given(seed=st.integers(0, 999), old=DATA, more=DATA)
def test_an_append_loses_at_most_what_was_not_synced(seed, old, more):
    store = MemoryStore(seed, lazy=True)
    store.write("log", old)
    store.sync()
    store.append("log", more)
    left = after_a_cut(store).read("log")
    assert left is not None
    assert left.startswith(old)
    assert (old + more).startswith(left)


def test_a_write_without_sync_can_be_torn():
    """Otherwise the bench would forgive a firmware that forgets to sync."""
    left = set()
    for seed in range(60):
        store = MemoryStore(seed, lazy=True)
        store.write("x", b"old")
        store.sync()
        store.write("x", b"newer")
        left.add(after_a_cut(store).read("x"))
    assert {b"old", b"newer"} <= left
    assert left - {b"old", b"newer"}


@given(lazy=st.booleans(), cut=st.integers(1, 4), seed=st.integers(0, 99))
def test_temporary_sync_rename_leaves_old_or_new(lazy, cut, seed):
    """The way littlefs asks for it: a replaced file is the old or the new one at every cut."""
    store = synced(lazy, slot=b"old program")
    store._random.seed(seed)
    store.operations, store.cut_at = 0, cut
    try:
        store.write("slot.new", b"new program")
        store.sync()
        store.rename("slot.new", "slot")
        store.sync()
    except PowerCut:
        store.revive()
    assert store.read("slot") in (b"old program", b"new program")


@pytest.mark.parametrize("operation", ARGUMENTS)
def test_every_changing_operation_can_be_the_one_that_is_cut(operation):
    store = synced(a=b"1")
    store.operations, store.cut_at = 0, 1
    arguments = {
        "write": ("a", b"2"),
        "append": ("a", b"2"),
        "rename": ("a", "b"),
        "delete": ("a",),
        "sync": (),
    }
    with pytest.raises(PowerCut):
        getattr(store, operation)(*arguments[operation])
    with pytest.raises(PowerCut):
        store.read("a")
    store.revive()
    store.names()


def test_a_full_flash_refuses_and_keeps_what_it_has():
    store = MemoryStore(capacity_bytes=2 * 4096)
    store.write("a", bytes(4096))
    store.write("b", bytes(4000))
    with pytest.raises(OSError, match="full") as refusal:
        store.append("b", bytes(97))
    assert refusal.value.errno == errno.ENOSPC
    assert store.size("b") == 4000


def test_renaming_what_is_not_there_is_an_error():
    with pytest.raises(OSError, match="no such file"):
        MemoryStore().rename("a", "b")
