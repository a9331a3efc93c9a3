"""The emulated board itself: time that passes only when asked, power that goes in the middle of a write."""

from __future__ import annotations

from typing import Any

from tests.emulated.board import NS, Board, file_system, open_file_system


def test_the_firmware_answers_and_keeps_its_switches_open(box: Board) -> None:
    assert box.ask("*IDN?").startswith("NIGHTDRAW,bench-12v,")
    assert box.ask("DIAGnostic:STATe?").startswith("IDLE")
    enable = 12  # the pin that lets the gate buffer drive, low when it does
    assert box.pins()[enable] == 1


def test_time_passes_only_when_asked(box: Board) -> None:
    before = box.now_ns
    assert box.now_ns == before
    box.run(0.25)
    assert 0 <= box.now_ns - before - NS // 4 < 100_000  # one step of a busy flash


def test_the_same_calls_give_the_same_instants() -> None:
    def life() -> tuple[int, str]:
        with Board() as bare:
            bare.wait_usb()
            bare.send("import os; print(os.uname()[3])\r\n")
            return bare.now_ns, bare.read_until("\n>>> ")

    assert life() == life()


# Arithmetic by the chip's divider, with interrupts that are masked and unmasked between: what the compiled
# core does by itself.
SUMS = """
def sums(x, off, on):
    total = 0
    for k in range(3000):
        x = (x * 1103515245 + 12345) & 0x3FFFFFFF
        state = off()
        total ^= (x - 0x20000000) // ((k * 7919 & 0x3FFF) + 1) ^ x % ((k & 63) + 1)
        total ^= (x - 0x20000000) % -((k & 255) + 1) ^ (x - 0x3FFFFFFF) // -(k % 13 + 1)
        on(state)
    return total
"""


def test_the_divider_divides_as_everywhere(seed: int) -> None:
    found: dict[str, Any] = {}
    exec(SUMS, found)
    wanted = found["sums"](seed & 0xFFFF, lambda: 0, lambda state: None)
    with Board() as bare:
        bare.wait_usb()
        bare.run(1)
        bare.said()
        bare.send("\x05import machine\r" + SUMS.replace("\n", "\r"))
        bare.send(f"print('<', sums({seed & 0xFFFF}, machine.disable_irq, machine.enable_irq), '>')\r\x04")
        assert f"< {wanted} >" in bare.read_until(" >\r\n")


def test_power_goes_inside_a_write() -> None:
    with Board() as bare:
        bare.wait_usb()
        bare.run(1)
        bare.said()
        bare.cut_in_flash(3)
        bare.send("open('a', 'wb').write(bytes(9000))\r\n")
        assert bare.wait_boot(1)
        assert bare.flash_operations() >= 3
        bare.wait_usb()


def test_the_board_reads_the_file_system_that_was_made() -> None:
    fs = open_file_system(file_system(None))
    with fs.open("hello.txt", "w") as file:
        file.write("from outside")
    with Board(bytes(fs.context.buffer)) as bare:
        bare.wait_usb()
        bare.run(1)
        bare.said()
        bare.send("print('<' + open('hello.txt').read() + '>')\r\n")
        assert "<from outside>" in bare.read_until("side>\r\n")
        bare.send("f = open('back.txt', 'w'); f.write('from inside'); f.close()\r\n")
        bare.read_until(">>> ")
        bare.run(0.1)
        with open_file_system(bare.file_system()).open("back.txt") as file:
            assert file.read() == "from inside"
