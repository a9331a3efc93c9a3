"""A board to run the firmware on: stock MicroPython on an emulated RP2040, with the board's heap and flash.

Its time passes only while a method here waits for it (or a TCP client is at its serial port), so that what a
test does has the same effect at the same emulated instant each time. MicroPython's image and the boot ROM
aren't ours: they are taken from the folder that NIGHTDRAW_BOARD_IMAGES names. Needs node with npm; with gcc
and node's headers it runs several times as fast.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple, Self

HERE = Path(__file__).resolve().parent
IMAGES = "NIGHTDRAW_BOARD_IMAGES"
FIRMWARE = "micropython-1.28.0-RPI_PICO.uf2"
BOOT_ROM = "bootrom-b1.txt"
PACKAGE = "rp2040js@1.4.1"
BLOCKS, BLOCK_BYTES = 352, 4096  # the file system of a board with 2 MB of flash
NS = 1_000_000_000
BOOT_S = 20.0  # from power to the serial port takes 0.6 s; where it doesn't come the board is dead
ANSWER_S = 10.0  # an answer takes milliseconds
WALL_S = 600.0  # of a single wait: a busy minute of the board takes about one


class Edge(NamedTuple):
    """One change of a pin: nanoseconds since the first power-up, pin, 0, 1 or Z (not driven), the number of
    power-ups and resets before."""

    at_ns: int
    pin: int
    state: int | str
    boot: int


def images() -> Path | None:
    """The folder with MicroPython's image and the boot ROM, None where nobody named one."""
    named = os.environ.get(IMAGES)
    return Path(named).resolve() if named else None


def cache() -> Path:
    """Where the emulator's package and the compiled core are kept between runs."""
    named = os.environ.get("NIGHTDRAW_BOARD_CACHE")
    return Path(named) if named else Path(tempfile.gettempdir()) / f"nightdraw-board-{os.getuid()}"


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Several test processes start at once: one of them prepares."""
    import fcntl

    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def prepare() -> tuple[Path, Path | None]:
    """Install the emulator's package and compile the quick core, once; returns where they are."""
    kept = cache()
    package = kept / "node_modules" / "rp2040js" / "dist" / "esm"
    source = HERE / "core.c"
    core = kept / "core.node"
    with _alone(kept):
        if not package.exists():
            npm = ["npm", "install", "--silent", "--prefix", str(kept), PACKAGE]
            subprocess.run(npm, check=True, stdout=subprocess.DEVNULL)
        if not core.exists() or core.stat().st_mtime < source.stat().st_mtime:
            _compile(source, core)
    return package, core if core.exists() else None


def _compile(source: Path, core: Path) -> None:
    answer = subprocess.run(["node", "-p", "process.execPath"], capture_output=True, text=True, check=True)
    headers = Path(answer.stdout.strip()).resolve().parents[1] / "include" / "node"
    if not (headers / "node_api.h").exists() or not shutil.which("gcc"):
        return
    made = core.with_suffix(".new")
    flags = ["-O2", "-shared", "-fPIC", f"-I{headers}"]
    subprocess.run(["gcc", *flags, "-o", str(made), str(source)], check=True)
    made.replace(core)


def file_system(folder: Path | None) -> bytes:
    """The bytes of the board's littlefs with everything that a folder holds."""
    from littlefs import LittleFS

    fs = _mounted(LittleFS, None)
    for path in sorted(folder.rglob("*")) if folder else ():
        name = path.relative_to(folder or path).as_posix()
        if path.is_dir():
            fs.makedirs(name, exist_ok=True)
        else:
            with fs.open(name, "wb") as file:
                file.write(path.read_bytes())
    return bytes(fs.context.buffer)


def open_file_system(data: bytes) -> Any:
    """A board's littlefs (a littlefs.LittleFS) from its bytes; those then are `fs.context.buffer`."""
    from littlefs import LittleFS

    return _mounted(LittleFS, data)


def _mounted(make: Any, data: bytes | None) -> Any:
    shape = {"block_size": BLOCK_BYTES, "block_count": BLOCKS}
    shape |= {"prog_size": 32, "read_size": 32, "lookahead_size": 32}
    if data is None:
        shape["disk_version"] = 0x00020000  # MicroPython raises it when it writes
    fs = make(**shape, mount=data is None)
    if data is not None:
        fs.context.buffer = bytearray(data)
        fs.mount()
    return fs


class Board:
    """One emulated board, powered.

    files: the folder that its root holds, or a whole file system's bytes, None for a bare board; adc:
    readings 0 .. 4095 by channel (0 the supply's divider, 1 the thermistor); speed: most emulated seconds a
    second while a TCP client is connected (0: no limit); erase_ms: what erasing 4 KB takes (45 typical, 400
    worst), while the processor stands still and PIO and DMA go on.
    """

    def __init__(
        self,
        files: Path | bytes | None = None,
        *,
        adc: tuple[int, ...] = (2040, 2048),
        speed: float = 1,
        erase_ms: float = 45,
    ) -> None:
        folder = images()
        assert folder is not None, f"{IMAGES} names no folder"
        package, core = prepare()
        self._work = Path(tempfile.mkdtemp(prefix="board-"))
        image = self._work / "fs.img"
        image.write_bytes(files if isinstance(files, bytes) else file_system(files))
        command = ["node", str(HERE / "emulator.mjs"), "--firmware", str(folder / FIRMWARE)]
        command += ["--bootrom", str(folder / BOOT_ROM), "--fs", str(image)]
        command += ["--speed", str(speed), "--erase-ms", str(erase_ms)]
        command += ["--core", str(core)] if core else []
        for channel, value in enumerate(adc):
            command += ["--adc", f"{channel}={value}"]
        self._process = subprocess.Popen(
            command,
            env={**os.environ, "RP2040JS": str(package)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            assert self._process.stderr is not None
            raise RuntimeError(f"the emulator did not start: {self._process.stderr.read().decode()[-2000:]}")
        ports = json.loads(line)
        self.address = f"socket://127.0.0.1:{ports['usb']}"
        self.port = int(ports["usb"])
        self._socket = socket.create_connection(("127.0.0.1", ports["control"]), timeout=WALL_S)
        self._stream = self._socket.makefile("rwb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Switch the emulator off."""
        self._process.kill()
        self._process.wait()
        self._socket.close()
        for stream in (self._process.stdin, self._process.stdout, self._process.stderr):
            if stream is not None:
                stream.close()
        shutil.rmtree(self._work, ignore_errors=True)

    def _control(self, command: str, **fields: Any) -> dict[str, Any]:
        self._stream.write((json.dumps({"cmd": command, **fields}) + "\n").encode())
        self._stream.flush()
        answer: dict[str, Any] = json.loads(self._stream.readline())
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return answer

    def _wait(self, command: str, seconds: float, **fields: Any) -> dict[str, Any]:
        return self._control(command, for_ns=round(seconds * NS), **fields)

    # -- time and power --------------------------------------------------------------------------------

    @property
    def now_ns(self) -> int:
        """Emulated nanoseconds since the first power-up."""
        return int(self._control("status")["t_ns"])

    @property
    def boots(self) -> int:
        """Power-ups and resets after the first power-up."""
        return int(self._control("status")["boot"])

    def run(self, seconds: float) -> None:
        """Let emulated time pass."""
        self._wait("run", seconds)

    def wait_boot(self, boot: int, seconds: float = BOOT_S) -> bool:
        """Run until so many power-ups and resets have been; False where they don't come in that time."""
        return not self._wait("boot", seconds, boot=boot).get("late")

    def power_cycle(self) -> None:
        """Power goes and comes back in the same instant."""
        self._control("power-cycle")

    def watchdog_reset(self) -> None:
        """What the watchdog does: a reset that keeps its scratch registers."""
        self._control("watchdog-reset")

    def cut_in_flash(self, operations: int) -> None:
        """Let power go and come back inside the operations-th erase or page write from now, 0: never."""
        self._control("cut", operations=operations)

    def erase_takes(self, milliseconds: float) -> None:
        """From now on erasing 4 KB takes so long."""
        self._control("erase", ms=milliseconds)

    def flash_operations(self) -> int:
        """Erases and page writes so far, all power-ups together."""
        flash = self._control("status")["flash"]
        return int(flash["erases"]) + int(flash["pages"])

    def erases(self) -> int:
        """Sectors erased so far, all power-ups together."""
        return int(self._control("status")["flash"]["erases"])

    # -- the serial port -------------------------------------------------------------------------------

    def wait_usb(self, seconds: float = BOOT_S) -> None:
        """Run until the serial port is there."""
        if self._wait("usb", seconds).get("late"):
            raise TimeoutError(f"no serial port within {seconds} s")

    def send(self, text: str | bytes) -> None:
        """Send bytes (a text as Latin-1); no line end is added."""
        self._control("send", text=text if isinstance(text, str) else text.decode("latin1"))

    def read_until(self, end: str, seconds: float = ANSWER_S) -> str:
        """Run until the board has said `end`; everything up to it, itself included."""
        answer = self._wait("read", seconds, until=end)
        if answer.get("late"):
            raise TimeoutError(
                f"the board did not say {end!r} within {seconds} s, but {self.said()[-400:]!r}"
            )
        return str(answer["text"])

    def ask(self, line: str, seconds: float = ANSWER_S) -> str:
        """Send a line, run until a line comes back; returns it without its end."""
        self.send(line + "\n")
        return self.read_until("\n", seconds).rstrip("\r\n")

    def said(self) -> str:
        """What the board has said and nobody has read yet."""
        return str(self._control("said")["text"])

    # -- pins, converters, files -----------------------------------------------------------------------

    def edges(self, start: int = 0) -> list[Edge]:
        """Every change of a pin so far, from the start-th on."""
        return [Edge(*row) for row in self._control("edges", **{"from": start})["edges"]]

    def pins(self) -> list[int | str]:
        """What each pin is now: 0, 1 or Z."""
        return list(self._control("pins")["pins"])

    def set_adc(self, channel: int, value: int) -> None:
        """What a converter's channel reads from now on, 0 .. 4095."""
        self._control("adc", channel=channel, value=value)

    def fit_monitor(self, address: int, counts: dict[int, float], enable: int) -> None:
        """Fit a power monitor whose shunt register reads the sum of these counts, by pin, over the pins that
        are high, 0 while the enable pin isn't low."""
        self._control("monitor", address=address, counts=counts, enable=enable)

    def set_pin(self, pin: int, value: bool) -> None:
        """Drive an input from outside."""
        self._control("gpio", pin=pin, value=value)

    def file_system(self) -> bytes:
        """The bytes of its file system now."""
        path = self._work / "saved.img"
        self._control("save-fs", path=str(path))
        return path.read_bytes()

    def load_file_system(self, data: bytes) -> None:
        """Replace its file system and start it anew."""
        path = self._work / "load.img"
        path.write_bytes(data)
        self._control("load-fs", path=str(path))
        self.power_cycle()
