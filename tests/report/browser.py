"""A real Chromium without a window, driven over its own protocol by a pipe: no network, no other program.

Messages are JSON ended by a zero byte, on file descriptors 3 (to it) and 4 (from it).
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--remote-debugging-pipe",
)  # fmt: skip
PATIENCE_S = 60  # a machine under load starts it in a few seconds
PROGRAM = shutil.which("chromium")
HIGH = 20  # descriptors from here on don't collide with its 3 and 4
GONE = "Chromium ended"


class Browser:
    """One page in one browser, with the width of its window in CSS pixels."""

    def __init__(self) -> None:
        assert PROGRAM is not None, "needs chromium (Debian: apt-get install chromium)"
        self._folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        ends = [*os.pipe(), *os.pipe()]  # to read and to write, twice
        commands, self._to, self._from, answers = (fcntl.fcntl(end, fcntl.F_DUPFD, HIGH) for end in ends)
        for end in ends:
            os.close(end)
        words = [PROGRAM, *FLAGS, f"--user-data-dir={self._folder.name}", "about:blank"]
        self._process = subprocess.Popen(
            ["bash", "-c", f'exec "$@" 3<&{commands} 4>&{answers}', "bash", *words],
            pass_fds=(commands, answers),
            stderr=subprocess.DEVNULL,
        )
        os.close(commands)
        os.close(answers)
        self._number, self._rest, self._session = 0, b"", None
        self.seen: list[dict[str, Any]] = []  # what the page reported by itself
        targets = self.call("Target.getTargets")["targetInfos"]
        target = next(one["targetId"] for one in targets if one["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def close(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait(PATIENCE_S)
        os.close(self._to)
        os.close(self._from)
        self._folder.cleanup()

    def call(self, method: str, **values: Any) -> Any:
        """One command of the protocol and its result."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": values}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read()
            if answer.get("id") == self._number:
                assert "error" not in answer, (method, answer["error"])
                return answer["result"]
            self.seen.append(answer)

    def _read(self) -> dict[str, Any]:
        until = time.monotonic() + PATIENCE_S
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._from], [], [], max(until - time.monotonic(), 0))
            assert ready, "Chromium doesn't answer"
            piece = os.read(self._from, 1 << 20)
            assert piece, GONE
            self._rest += piece
        text, _, self._rest = self._rest.partition(b"\0")
        answer: dict[str, Any] = json.loads(text)
        return answer

    def open(self, path: Path, width: int = 1280, dark: bool = False, calm: bool = True) -> None:
        """Open a file in a window so wide; calm: as for whoever wants reduced motion."""
        self.visit(path.resolve().as_uri(), width, dark, calm)

    def visit(self, address: str, width: int = 1280, dark: bool = False, calm: bool = True) -> None:
        """The same for any address."""
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
        self.call("Emulation.setDeviceMetricsOverride", **size)
        features = [
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce" if calm else "no-preference"},
        ]
        self.call("Emulation.setEmulatedMedia", features=features)
        self.seen.clear()
        self.call("Page.navigate", url=address)
        self.script("new Promise(done => document.readyState === 'complete' ? done() : onload = done)")
        self.settle()

    def script(self, text: str) -> Any:
        """The value of an expression in the page."""
        answer = self.call("Runtime.evaluate", expression=text, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def settle(self) -> None:
        """Wait until what was asked for is drawn."""
        self.script("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def key(self, key: str) -> None:
        """Press and release one key."""
        text = {"text": key} if len(key) == 1 else {}
        self.call("Input.dispatchKeyEvent", type="keyDown", key=key, **text)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key)
        self.settle()

    def mouse(self, kind: str, x: float, y: float, **more: Any) -> None:
        """One event of the mouse at a place of the window."""
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)
        self.settle()

    def touch(self, kind: str, *places: tuple[float, float]) -> None:
        """One event of fingers at these places."""
        points = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(places)]
        self.call("Input.dispatchTouchEvent", type=kind, touchPoints=points)
        self.settle()

    def picture(self, path: Path) -> None:
        """The whole page as a PNG."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(answer["data"]))

    def complaints(self) -> list[str]:
        """What the page reported: errors, refused scripts, requests beyond its own file."""
        found = []
        for message in self.seen:
            method, values = message.get("method"), message.get("params", {})
            if method in ("Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded"):
                found.append(json.dumps(values)[:300])
            elif method == "Network.requestWillBeSent" and values["request"]["url"].startswith("http"):
                found.append(values["request"]["url"])
        return found
