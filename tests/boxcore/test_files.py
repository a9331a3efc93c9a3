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
    assert (store.read("a"), list(store.names())) == (b"new", ["a"])


def test_deleting_what_is_not_there_is_no_error(store):
    store.write("a", b"x")
    store.delete("a")
    store.delete("a")
    assert list(store.names()) == []


def test_files_open_for_reading_and_writing(store):
    assert store.open("a") is None
    file = store.create("a")
    file.write(b"one")
    file.write(memoryview(b"-two"))
    file.close()
    with store.open("a") as file:
        view = memoryview(bytearray(4))
        assert (file.readinto(view), bytes(view), file.read(9)) == (4, b"one-", b"two")


@pytest.fixture
def foldered(tmp_path):
    """A store where a folder, with things and folders in it, lies in place of a file."""
    (tmp_path / "a" / "b" / "c").mkdir(parents=True)
    (tmp_path / "a" / "x").write_bytes(b"x")
    (tmp_path / "a" / "b" / "y").write_bytes(b"y")
    return files.FileStore(str(tmp_path))


def test_a_folder_in_place_of_a_file_can_not_be_read(foldered):
    for call, arguments in ((foldered.read, ()), (foldered.open, ()), (foldered.read_at, (0, 1))):
        with pytest.raises(OSError, match="a"):
            call("a", *arguments)


@pytest.mark.parametrize("change", ["write", "append", "create", "rename", "delete"])
def test_whatever_replaces_a_file_takes_a_folder_away(foldered, change):
    foldered.write("new", b"new")
    if change == "rename":
        foldered.rename("new", "a")
    elif change == "delete":
        foldered.delete("a")
    elif change == "create":
        file = foldered.create("a")
        file.write(b"new")
        file.close()
    else:
        getattr(foldered, change)("a", b"new")
    assert foldered.read("a") == (None if change == "delete" else b"new")


def test_a_file_far_too_large_is_not_read_whole(tmp_path):
    (tmp_path / "ledger").write_bytes(bytes(100_000))
    assert len(files.FileStore(str(tmp_path)).read("ledger")) == files.SMALL_BYTES
