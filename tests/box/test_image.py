"""The image: replayed as the boot loader would, onto a flash that was used before, and mounted for real."""

from __future__ import annotations

import random
import struct

import littlefs
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.board import load_board
from nightdraw.errors import InputError
from nightdraw.link import firmware, image, open_box, uf2

from tests.box.board import Board

FLASH_BYTES = 1 << 21
SECTOR = 4096


def boot_loader(flash: bytearray, data: bytes, order: list[int] | None = None) -> None:
    """What the RP2040's boot loader does with a UF2 file on its drive (datasheet 2.8.4.2, and erratum
    RP2040-E14): it takes blocks of its family in the order in which they come, each number once, erases the
    sector under the first of each sixteen numbers, and programs, which only clears bits."""
    erased: set[int] = set()
    done: set[int] = set()
    blocks = [data[at : at + 512] for at in range(0, len(data), 512)]
    for place in order or range(len(blocks)):
        block = blocks[place]
        first, second, flags, address, size, number, count, family = struct.unpack_from("<8I", block)
        assert (first, second, block[508:]) == (0x0A324655, 0x9E5D5157, b"\x30\x6f\xb1\x0a")
        if not flags & 0x2000 or family != 0xE48BFF56 or flags & 1 or size != 256 or number in done:
            continue
        assert number < count
        done.add(number)
        at = address - 0x10000000
        if number // 16 not in erased:
            erased.add(number // 16)
            sector = at - at % SECTOR
            flash[sector : sector + SECTOR] = b"\xff" * SECTOR
        for k in range(256):
            flash[at + k] &= block[32 + k]


def micropython(pages: int = 40, start: int = 0x10000000, text: bytes = b"") -> bytes:
    """A UF2 file as a build makes it: consecutive pages, its last sector cut."""
    content = random.Random(pages).randbytes(pages * 256)
    content = content[:300] + text + content[300 + len(text) :]
    blocks = []
    for number in range(pages):
        head = struct.pack(
            "<8I", 0x0A324655, 0x9E5D5157, 0x2000, start + 256 * number, 256, number, pages, 0xE48BFF56
        )
        page = content[number * 256 : number * 256 + 256]
        blocks.append(head + page + bytes(220) + struct.pack("<I", 0x0AB16F30))
    return b"".join(blocks)


def used_flash() -> bytearray:
    """A board's flash after years: another file system, whose directories were rewritten many times."""
    old = littlefs.LittleFS(block_size=SECTOR, block_count=352)
    for k in range(400):
        with old.open(f"old{k % 7}.py", "wb") as file:
            file.write(bytes([k % 256]) * 5000)
    flash = bytearray(random.Random(1).randbytes(FLASH_BYTES))
    flash[0xA0000:] = old.context.buffer
    return flash


@pytest.fixture(scope="module")
def shipped() -> list[firmware.BoardFile]:
    return firmware.build(load_board())


def on_flash(flash: bytearray) -> dict[str, bytes]:
    """The files in the share of the flash, read by another littlefs than MicroPython's."""
    context = littlefs.UserContext(buffer=bytearray(flash[0xA0000:]))
    found = littlefs.LittleFS(context, mount=False, block_size=SECTOR, block_count=352)
    found.mount()
    paths = [f"{folder}/{name}".lstrip("/") for folder, _, names in found.walk("/") for name in names]
    contents = {}
    for path in paths:
        with found.open(path, "rb") as file:
            contents[path.lstrip("./")] = file.read()
    return contents


def test_the_image_makes_any_board_a_box_that_answers(shipped, tmp_path):
    flash = used_flash()
    assert set(on_flash(flash)) == {f"old{k}.py" for k in range(7)}
    boot_loader(flash, image.build(micropython(), "m.uf2", shipped))
    assert on_flash(flash) == {file.name: file.data for file in shipped}
    (tmp_path / "flash").write_bytes(flash[0xA0000:])
    (tmp_path / "board").mkdir()
    board = Board(tmp_path / "board", tmp_path / "flash")
    try:
        with open_box(board.plug()) as box:
            assert box.idn().model == "bench-12v"
    finally:
        board.pull()


def test_micropython_itself_arrives_whole_and_the_rest_is_left_alone(shipped):
    before = used_flash()
    flash = bytearray(before)
    source = micropython(pages=37)
    boot_loader(flash, image.build(source, "m.uf2", shipped))
    plain = b"".join(source[at + 32 : at + 288] for at in range(0, len(source), 512))
    assert flash[: len(plain)] == plain
    sectors_end = -(-len(plain) // SECTOR) * SECTOR
    assert set(flash[len(plain) : sectors_end]) == {0xFF}
    assert flash[sectors_end:0xA0000] == before[sectors_end:0xA0000]


def test_every_block_is_there_once_ascending_and_in_whole_sectors(shipped):
    data = image.build(micropython(), "m.uf2", shipped)
    heads = [struct.unpack_from("<8I", data, at) for at in range(0, len(data), 512)]
    addresses = [head[3] for head in heads]
    assert [head[5] for head in heads] == list(range(len(heads)))
    assert {head[6] for head in heads} == {len(heads)}
    assert addresses == sorted(set(addresses))
    for k in range(0, len(addresses), 16):
        assert addresses[k] % SECTOR == 0
        assert addresses[k + 15] == addresses[k] + 15 * 256
    assert [a for a in addresses if a >= 0x100A0000] == list(range(0x100A0000, 0x10200000, 256))


def test_the_order_in_which_a_system_writes_the_blocks_does_not_matter(shipped):
    data = image.build(micropython(), "m.uf2", shipped)
    order = list(range(len(data) // 512))
    random.Random(5).shuffle(order)
    flash = used_flash()
    boot_loader(flash, data, order)
    assert on_flash(flash) == {file.name: file.data for file in shipped}


def test_leaving_out_what_is_erased_would_not_do():
    """The reason why every block is there, and proof that the replay notices: a block of an old folder that
    was rewritten many times, wherever it lies, would win over the new folder's."""
    new = [firmware.BoardFile("boxcore/a.mpy", b"new")]
    old = littlefs.LittleFS(block_size=SECTOR, block_count=352)
    old.mkdir("boxcore")
    for k in range(200):
        with old.open("boxcore/a.mpy", "wb") as file:
            file.write(b"old %d" % k * 9)
    blocks = [bytes(old.context.buffer[at : at + SECTOR]) for at in range(0, 352 * SECTOR, SECTOR)]
    newest = next(block for block in blocks if b"old 199" in block)
    whole = image.build(micropython(), "m.uf2", new)
    pages = uf2.read(whole, "x")
    told = {address - address % SECTOR for address, page in pages.items() if set(page) != {0xFF}}
    partial = uf2.write({a: page for a, page in pages.items() if a - a % SECTOR in told})
    shown = []
    for data in (whole, partial):
        flash = used_flash()
        flash[0xA0000:] = newest * 352
        boot_loader(flash, data)
        shown.append(on_flash(flash)["boxcore/a.mpy"])
    assert shown[0] == b"new"
    assert shown[1].startswith(b"old")


def test_a_partly_filled_sector_would_not_do_either():
    """Erratum RP2040-E14 in the replay: the second sector is never erased."""
    flash = bytearray(FLASH_BYTES)
    blocks = [micropython(pages=8), micropython(pages=16, start=0x10001000)]
    data = bytearray(b"".join(blocks))
    for number in range(24):
        struct.pack_into("<2I", data, number * 512 + 20, number, 24)
    boot_loader(flash, bytes(data))
    assert uf2.read(bytes(data), "x")[0x10001000] != flash[0x1000:0x1100]
    boot_loader(flash, uf2.write(uf2.read(bytes(data), "x")))
    assert uf2.read(bytes(data), "x")[0x10001000] == flash[0x1000:0x1100]


page_numbers = st.integers(0, 511)


@given(st.dictionaries(page_numbers, st.binary(min_size=256, max_size=256), min_size=1, max_size=20))
def test_written_pages_are_read_back_and_land_where_they_belong(numbered):
    pages = {0x10000000 + 256 * number: page for number, page in numbered.items()}
    data = uf2.write(pages)
    assert uf2.read(data, "x") | pages == uf2.read(data, "x")
    flash = bytearray(512 * 256)
    boot_loader(flash, data)
    for address, page in pages.items():
        assert flash[address - 0x10000000 :][:256] == page


OK = micropython(2)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no multiple of 512"),
        (OK[:-1], "no multiple of 512"),
        (b"\0" * 512, "block 0 is no UF2 block"),
        (OK[:1020] + bytes(4), "block 1 is no UF2 block"),
        (OK[:28] + struct.pack("<I", 0xE48BFF59) + OK[32:512], "nothing for the RP2040"),
        (micropython(2, start=0x20000000), "no page of a 2 MB flash"),
        (micropython(2, start=0x10000010), "no page of a 2 MB flash"),
        (OK + micropython(3)[:512], "says otherwise"),
        (micropython(2, start=0x100A0000), "reaches into the file system"),
        (micropython(4, text=b"MicroPython v1.27.0 on 2026-01-01; A Board with RP2040\0"), "1.27 is too old"),
        (micropython(4, text=b"MicroPython v1.28.0 on 2026-01-01; A Board with RP2350\0"), "for the RP2350"),
    ],
)
def test_a_file_that_does_not_fit_is_refused(data, said):
    with pytest.raises(InputError, match=said) as error:
        image.build(data, "mine.uf2", [])
    assert error.value.findings[0].file == "mine.uf2"


def test_a_fitting_version_is_recognised():
    data = micropython(4, text=b"MicroPython v1.28.0 on 2026-04-06; A Board with RP2040\0")
    assert image.version(uf2.read(data, "x")) == ((1, 28), "RP2040")


def test_files_that_do_not_fit_are_refused():
    with pytest.raises(InputError, match="don't fit"):
        image.file_system([firmware.BoardFile("big", bytes(352 * 4096))])


def test_the_share_for_files_is_the_standard_boards():
    """RP2040 board with 2 MB of flash: MicroPython's file system is its last 1408 KB (measured on v1.28)."""
    assert image.START + image.BLOCKS * image.BLOCK_BYTES == uf2.FLASH_END
