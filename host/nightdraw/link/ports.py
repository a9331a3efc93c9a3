"""The computer's serial ports and what their USB numbers say; why one of them can't be opened.

Only a port with the board's USB number may ever be written to. Nothing here writes.
"""

from __future__ import annotations

import errno
import os
import sys
from dataclasses import dataclass
from pathlib import Path

# USB vendor and product number of MicroPython on this processor, and of the processor's own boot loader.
USB_NUMBER = (0x2E8A, 0x0005)
BOOT_LOADER = (0x2E8A, 0x0003)
SYSFS = Path("/sys/bus/usb/devices")

PERMISSION, BUSY, GONE, OTHER = "permission", "busy", "gone", "other"
_BUSY_CODES = (errno.EBUSY, errno.EAGAIN)
_GONE_CODES = (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO)


@dataclass(frozen=True)
class Port:
    """One serial port: its name, the USB number behind it (None: not on USB) and the device's USB serial
    number."""

    name: str
    usb: tuple[int, int] | None
    serial: str | None

    @property
    def may_be_a_box(self) -> bool:
        """Whether the USB number is the board's; which program runs there, only *IDN? tells."""
        return self.usb == USB_NUMBER


def serial_ports() -> list[Port]:
    """Every serial port of this computer, by name."""
    from serial.tools import list_ports

    found = []
    for port in list_ports.comports():
        usb = None if port.vid is None or port.pid is None else (port.vid, port.pid)
        found.append(Port(port.device, usb, port.serial_number))
    return sorted(found, key=lambda port: port.name)


def usb_devices(folder: Path = SYSFS) -> set[tuple[int, int]] | None:
    """The USB numbers of everything plugged in; None where this system doesn't tell."""
    if not folder.is_dir():
        return None
    found = set()
    for device in folder.iterdir():
        try:
            numbers = [int((device / name).read_text(), 16) for name in ("idVendor", "idProduct")]
        except (OSError, ValueError):
            continue  # an interface, or a device that has just gone
        found.add((numbers[0], numbers[1]))
    return found


def named(name: str, ports: list[Port]) -> Port | None:
    """The port that a name (or a link to it) means, None where the system lists none: a pseudo-terminal."""
    real = os.path.realpath(name) if Path(name).exists() else name
    return next((port for port in ports if port.name in (name, real)), None)


def usb_text(usb: tuple[int, int] | None) -> str:
    """A USB number as it is usually written."""
    return "none" if usb is None else f"{usb[0]:04X}:{usb[1]:04X}"


def trouble(error: BaseException, platform: str = sys.platform) -> str:
    """Why a port can't be opened: PERMISSION, BUSY, GONE or OTHER."""
    code = getattr(error, "errno", None)
    text = str(error)
    if platform == "win32":  # there is no right to a port: access is denied to the second who asks
        if "PermissionError" in text or code == errno.EACCES:
            return BUSY
        return GONE if "FileNotFoundError" in text else OTHER
    if code in (errno.EACCES, errno.EPERM):
        return PERMISSION
    if code in _BUSY_CODES:
        return BUSY
    return GONE if code in _GONE_CODES else OTHER


def try_open(name: str) -> BaseException | None:
    """Open a port and close it again without a byte; the error where that fails."""
    import serial

    try:
        serial.Serial(name, exclusive=True, write_timeout=1).close()
    except (serial.SerialException, OSError, ValueError) as error:
        return error
    return None
