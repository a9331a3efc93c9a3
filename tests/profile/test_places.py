"""Places: every refusal at its line and column, with libyaml and with PyYAML's own parser."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import places
from nightdraw.errors import InputError

from tests.profile.made import plain, write

LOADERS = [yaml.SafeLoader, *([yaml.CSafeLoader] if hasattr(yaml, "CSafeLoader") else [])]


@pytest.fixture(params=LOADERS, autouse=True)
def loader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test of this module runs with each parser there is."""
    monkeypatch.setattr(places, "_Loader", request.param)


def refused(path: Path) -> list[tuple[int | None, int | None, str]]:
    """Every finding of a file that must be refused."""
    with pytest.raises(InputError) as caught:
        places.read(path)[1].stop()
    assert all(finding.file == str(path) for finding in caught.value.findings)
    return [(f.line, f.column, f.message) for f in caught.value.findings]


@pytest.mark.parametrize(
    ("content", "line", "column", "said"),
    [
        (b"", 1, 1, "empty"),
        (b"\n\n", 1, 1, "empty"),
        (b"# only a remark\n", 1, 1, "empty"),
        (b"a: 1\nb:\n\tc: 2\n", 3, 1, "tab"),
        (b"a: 1\nb:\n  \tc: 2\n", 3, 3, "tab"),
        (b"a: 1\nb: x\0y\n", 2, 5, "U+0000"),
        (b"a: \x1b[31m\n", 1, 4, "U+001B"),
        (b"\x7fELF\x02\x01\x01", 1, 1, "U+007F"),
        (b"\x89PNG\r\n\x1a\n", 1, 1, "0x89"),
        ("a: ä\nb: ".encode() + b"\xe4\n", 2, 4, "0xe4"),
        ("a: 1".encode("utf-16"), 1, 1, "0xff"),
        (b"a: 1\r\nb: 2\r\nc: \xff", 3, 4, "0xff"),
        ("a: 1\u2028b: 2\n".encode(), 1, 5, "U+2028"),
        (b"a: 1\n\xef\xbb\xbfb: 2\n", 2, 1, "U+FEFF"),
        (b'a: "x\\0"\n', 1, 4, "U+0000"),
        (b"a: &x 1\n", 1, 4, "anchors"),
        (b"a: *x\n", 1, 4, "aliases"),
        (b"a: !!int 1\n", 1, 4, "tags"),
        (b"a: ! 1\n", 1, 4, "tags"),
        (b"%TAG ! tag:x,2000:\n---\na: 1\n", 1, 1, "tags"),
        (b"a: 1\n---\nb: 2\n", 2, 1, "one document"),
        (b"a: 1\nb: 2\na: 3\n", 3, 1, "'a' stands twice, first on line 1"),
        (b"a: {b: 1, b: 2}\n", 1, 11, "'b' stands twice"),
        (b"? [a]\n: b\n", 1, 3, "a key must be a plain text"),
        (b"- " * 30 + b"x\n", 1, 33, "deeper than 16"),
        (b"a: [1, 2\nb: 3\n", 2, 2, "not YAML"),
        (b"a: 1\n  b: 2\n", 2, 4, "not YAML"),
    ],
)
def test_refusals_with_their_place(tmp_path: Path, content: bytes, line: int, column: int, said: str) -> None:
    found = refused(write(tmp_path, content))
    assert [(found[0][0], found[0][1])] == [(line, column)], found
    assert said in found[0][2]


def test_refusals_come_all_at_once_but_a_syntax_error_alone(tmp_path: Path) -> None:
    text = "a: &x 1\nb: *x\nc: !t 2\na: 4\n"
    assert [place[:2] for place in refused(write(tmp_path, text))] == [(1, 4), (2, 4), (3, 4), (4, 1)]
    assert len(refused(write(tmp_path, text + "d: [\n"))) == 1


@pytest.mark.parametrize("bomb", [b"[" * 900_000, b"{a: " * 200_000, b"- " * 400_000, b"? " * 400_000])
def test_nesting_bombs_are_refused_at_once(tmp_path: Path, bomb: bytes) -> None:
    (line, column, message), *_ = refused(write(tmp_path, bomb))
    assert line == 1
    assert column is not None
    assert "deep" in message or "nest" in message


def test_a_billion_laughs_is_refused_by_its_first_anchor(tmp_path: Path) -> None:
    text = "a: &a [x, x]\n" + "".join(
        f"{chr(98 + n)}: &{chr(98 + n)} [*{chr(97 + n)}, *{chr(97 + n)}]\n" for n in range(20)
    )
    assert refused(write(tmp_path, text))[0][:2] == (1, 4)


def test_more_than_a_megabyte_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "big.yaml"
    with path.open("wb") as stream:
        stream.truncate(50_000_000)  # sparse: 50 MB of NUL bytes that nobody has to write
    assert refused(path) == [(1, 1, "the file is larger than 1 MB, nothing was read")]
    endless = Path("/dev/zero")
    if endless.exists():
        assert "larger" in refused(endless)[0][2]
    exact = b"a: 1 #" + b"x" * (places.MAX_BYTES - 7) + b"\n"
    assert plain(places.read(write(tmp_path, exact))[0]) == {"a": "1"}
    assert "larger" in refused(write(tmp_path, exact + b"\n"))[0][2]


def test_files_that_are_none(tmp_path: Path) -> None:
    assert refused(tmp_path) == [(1, 1, "this is a folder, not a file")]
    assert refused(tmp_path / "absent.yaml") == [(1, 1, "there is no such file")]
    with pytest.raises(InputError):
        places.read("nul\0byte")


def test_a_byte_order_mark_and_dos_line_ends_are_read(tmp_path: Path) -> None:
    root, findings = places.read(write(tmp_path, b"\xef\xbb\xbfa: 1\r\nb:\r\n  - c\r\n"))
    assert plain(root) == {"a": "1", "b": ["c"]}
    assert not len(findings)
    assert isinstance(root, places.Mapping)
    assert (root.entries["b"].key.line, root.entries["b"].key.column) == (2, 1)


def test_scalars_stay_text(tmp_path: Path) -> None:
    text = "on: off\nyes: 1:30\nno: 0x10\n1: ~\nnull: 2001-01-01\n<<: 1e3\n'q': \"1\"\n"
    assert plain(places.read(write(tmp_path, text))[0]) == {
        "on": "off",
        "yes": "1:30",
        "no": "0x10",
        "1": "~",
        "null": "2001-01-01",
        "<<": "1e3",
        "q": "1",
    }


def test_columns_count_characters_not_bytes(tmp_path: Path) -> None:
    root, _ = places.read(write(tmp_path, "ä😀: [é, x]\n"))
    assert isinstance(root, places.Mapping)
    items = root.entries["ä😀"].value
    assert isinstance(items, places.Sequence)
    assert [(item.line, item.column) for item in items.items] == [(1, 6), (1, 9)]


def test_a_flood_of_errors_is_cut_and_says_so(tmp_path: Path) -> None:
    found = refused(write(tmp_path, "a: *x\n" + "a: *x\n" * 100_000))
    assert len(found) == places.MAX_FINDINGS + 1
    assert "only the first" in found[-1][2]


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_with_a_place(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = write(tmp_path_factory.getbasetemp(), content, "any.yaml")
    found = []
    try:
        places.read(path)[1].stop()
    except InputError as error:
        found = list(error.findings)
    assert all(f.line and f.column and f.line > 0 and f.column > 0 for f in found)
