"""One page's end of the socket: moves in; answers, how the vehicle stands and the recorder's picture out.

Each page has one picture under way at a time: one that doesn't read gets no more, and is disconnected.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from nightdraw.bench.control import RefusedError
from nightdraw.live import moves, plots
from nightdraw.live.scene import snapshot
from nightdraw.live.seats import Seat
from nightdraw.report.words import Words

if TYPE_CHECKING:
    from starlette.websockets import WebSocket

MOST_A_SECOND = 60  # messages of one page
STALLED_S = 20.0  # a page that doesn't read is disconnected after so long
LEAVE_S = 2.0  # for the last word to a page
PICTURE_S = 0.05  # between two pictures of one page


class Page:
    """One page's end of the socket."""

    def __init__(self, socket: WebSocket, seat: Seat, words: Words, keep: Callable[[Seat], None]) -> None:
        self._socket, self._seat, self._words, self._keep = socket, seat, words, keep
        self._view: plots.View | None = None
        self._changed = asyncio.Event()
        self._answers: list[str] = []
        self._allowance, self._counted_s = float(MOST_A_SECOND), time.monotonic()

    async def serve(self) -> None:
        """Talk until either end goes."""
        tasks = [asyncio.create_task(self._hear()), asyncio.create_task(self._show())]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            with contextlib.suppress(Exception):  # a page that doesn't read doesn't take its end either
                await asyncio.wait_for(self._socket.close(1000), LEAVE_S)

    async def _hear(self) -> None:
        while True:
            message = await self._socket.receive()
            if message["type"] == "websocket.disconnect":
                return
            if not self._may():
                await self._socket.close(1008)
                return
            text = message.get("text")
            self._take(text if isinstance(text, str) else "")
            self._changed.set()

    def _may(self) -> bool:
        """Whether it keeps to so many messages a second."""
        now_s = time.monotonic()
        self._allowance = min(
            float(MOST_A_SECOND), self._allowance + (now_s - self._counted_s) * MOST_A_SECOND
        )
        self._counted_s = now_s
        self._allowance -= 1
        return self._allowance >= 0

    def _take(self, text: str) -> None:
        """Do what a message asks for; what is refused is answered with a sentence."""
        try:
            asked = json.loads(text, parse_constant=_no_constant)
            if not isinstance(asked, dict):
                raise ValueError("no object")
        except (ValueError, RecursionError):
            self._answers.append(json.dumps({"no": self._words("no.message")}))
            return
        answer: dict[str, Any] = {"id": asked.get("id") if isinstance(asked.get("id"), int) else None}
        try:
            if asked.get("do") == "view":
                self._view = plots.view(asked, self._words)
            else:
                moves.act(self._seat.live, asked)
                if asked["do"] == "answer":
                    self._keep(self._seat)
        except RefusedError as refusal:
            answer["no"] = str(refusal)
        self._answers.append(json.dumps(answer))
        del self._answers[:-MOST_A_SECOND]

    async def _show(self) -> None:
        """Send answers, how the vehicle stands, and the recorder's picture where any of it has changed."""
        last, drawn = "", None
        await self._send(json.dumps({"seat": self._seat.key, "boxes": self._boxes()}))
        while True:
            self._changed.clear()
            answers, self._answers = self._answers, []
            for answer in answers:
                await self._send(answer)
            now = json.dumps({"now": snapshot(self._seat.live)}, allow_nan=False)
            if now != last:
                await self._send(now)
                last = now
            if self._view is not None:
                state = plots.state(self._seat.live, self._view)
                if state != drawn:
                    drawn = state
                    await self._send(plots.picture(self._seat.live, self._view))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait(), PICTURE_S)

    def _boxes(self) -> list[dict[str, str]]:
        return [] if self._seat.live.case.secret else self._seat.where()

    async def _send(self, data: str | bytes) -> None:
        sending = self._socket.send_text(data) if isinstance(data, str) else self._socket.send_bytes(data)
        await asyncio.wait_for(sending, STALLED_S)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")
