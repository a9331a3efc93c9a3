"""The store on a real file system keeps the same promises as the one in memory."""

import pytest
from boxcore import files

from tests.boxcore import fakes


@pytest.fixture(params=["memory", "files"])
def store(request, tmp_path):
    return fakes.MemoryStore() if request.param == "memory" else files.FileStore(str(tmp_path))


def test_write_append_read(store):
    assert (store.read("a"), store.size("a"), store.read_at("a", 0, 5)) == (None, None, None)
    store.write("a", b"one")
    store.append("a", memoryview(b"-two"))
    store.append("b", b"new")
    assert (store.read("a"), store.size("a"), store.read_at("a", 2, 3)) == (b"one-two", 7, b"e-t")
    assert store.read_at("a", 6, 50) == b"o"
    assert sorted(store.names()) == ["a", "b"]
    store.write("a", b"")
    assert (store.read("a"), store.size("a")) == (b"", 0)
    store.sync()


def test_rename_replaces(store):
    store.write("a", b"old")
    store.write("b", b"new")
    store.rename("b", "a")
    assert (store.read("a"), store.names()) == (b"new", ["a"])


def test_deleting_what_is_not_there_is_no_error(store):
    store.write("a", b"x")
    store.delete("a")
    store.delete("a")
    assert store.names() == []


def test_what_fails_otherwise_is_an_error(tmp_path):
    (tmp_path / "folder").mkdir()
    store = files.FileStore(str(tmp_path))
    for call, arguments in ((store.read, ()), (store.delete, ()), (store.read_at, (0, 1))):
        with pytest.raises(OSError, match="folder"):
            call("folder", *arguments)
