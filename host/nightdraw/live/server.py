"""The page's server: one address with a token in it, a socket for moves and pictures, nothing else.

Whoever hasn't the token gets 404 for everything. A page of another origin, or one reached by another name
than the loopback's, is let in nowhere. Each page has one picture under way at a time: one that doesn't read
gets no further ones, and is let go after a while.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import html
import json
import mimetypes
import secrets
import socket
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw.bench.control import RefusedError
from nightdraw.errors import InputError
from nightdraw.lesson.words import Words
from nightdraw.live import findings, moves, plots
from nightdraw.live.overview import Overview
from nightdraw.live.scene import scene, snapshot
from nightdraw.live.seats import TURN_S, Seat, Seats
from nightdraw.live.vehicle import Case

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.websockets import WebSocket

HOST = "127.0.0.1"
ASSETS = Path(__file__).with_name("assets")
CHARTS = ("uplot/uPlot.iife.min.js", "uplot/uPlot.min.css")
FILES = ("paths.js", "page.js", "chart.js", "draw.js", "page.css", *CHARTS)
MOST_MESSAGE = 8192  # bytes: a move has some hundred
MOST_PAGES = 64  # at once, of all students
MOST_A_SECOND = 60  # messages of one page
DEAF_S = 20.0  # a page that doesn't read is let go after so long
LEAST_REST_S = 0.002  # of each turn is the pages'
PICTURE_S = 0.05  # between two pictures of one page
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


@dataclass
class Room:
    """What one address leads to."""

    case: Case
    token: str = field(default_factory=lambda: secrets.token_urlsafe(18))


class LiveServer:
    """Rooms behind tokens. `port` is open from the beginning; run() serves until stop() is called.

    sheet: texts of a lesson's sheets, for the form. overview: of a plan, behind a token of its own; answers:
    a folder that they are written to.
    """

    def __init__(
        self,
        rooms: list[Room],
        seats: Seats,
        words: Words,
        sheet: Words,
        port: int = 0,
        overview: Overview | None = None,
        answers: Path | None = None,
    ) -> None:
        self.rooms, self.seats, self.words = rooms, seats, words
        self._fields = findings.fields(sheet)
        self._overview, self._answers = overview, answers
        self.token = secrets.token_urlsafe(18)  # the instructor's
        self._working: asyncio.Task[None] | None = None
        try:
            self._socket = socket.create_server((HOST, port))
        except OSError as error:
            raise InputError(f"port {port} can't be opened on {HOST}: {error.strerror or error}") from None
        self.port = int(self._socket.getsockname()[1])
        self._pages = 0
        self._server: Any = None
        self.app = self._app()

    def url(self, room: Room) -> str:
        """The address of a room."""
        return f"http://{HOST}:{self.port}/{room.token}/"

    def where(self) -> dict[str, Any]:
        """The first line on standard output."""
        return {"url": self.url(self.rooms[0]), "boxes": next(iter(self.seats.seats.values())).where()}

    def run(self) -> None:
        """Serve until stop() is called; then every port is closed."""
        import uvicorn

        config = uvicorn.Config(
            self.app, log_level="critical", access_log=False, ws="websockets-sansio", lifespan="on",
            ws_max_size=MOST_MESSAGE, ws_per_message_deflate=False, timeout_graceful_shutdown=1,
            server_header=False, ws_ping_interval=DEAF_S, ws_ping_timeout=DEAF_S,
        )  # fmt: skip

        class Quiet(uvicorn.Server):
            """Signals are the command's affair."""

            @contextlib.contextmanager
            def capture_signals(self) -> Any:
                yield

        self._server = Quiet(config)
        try:
            self._server.run(sockets=[self._socket])
        finally:
            self._socket.close()
            self.seats.close()

    @property
    def started(self) -> bool:
        """Whether it hears."""
        return self._server is not None and bool(self._server.started)

    def stop(self) -> None:
        """End run() soon."""
        if self._server is not None:
            self._server.should_exit = True

    # ---- the application

    def _app(self) -> Starlette:
        from starlette.applications import Starlette
        from starlette.routing import Route, WebSocketRoute

        routes = [
            Route("/{token}/", self._page),
            Route("/{token}/recording.{form:str}", self._recording),
            Route("/{token}/answer.json", self._answer),
            Route("/{token}/paths", self._paths),
            Route("/{token}/paths.json", self._paths_told),
            Route("/{token}/{name:path}", self._file),
            WebSocketRoute("/{token}/live", self._talk),
        ]
        return Starlette(routes=routes, lifespan=self._life)

    @contextlib.asynccontextmanager
    async def _life(self, app: Starlette) -> AsyncIterator[None]:
        """Time passes as long as the server runs."""
        passing = asyncio.create_task(self._pass())
        yield
        passing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await passing

    async def _pass(self) -> None:
        while True:
            begun = time.monotonic()
            self.seats.turn()
            rest_s = 0.0 if self.seats.waiting() else TURN_S - (time.monotonic() - begun)
            await asyncio.sleep(max(LEAST_REST_S, rest_s))

    def overview_url(self) -> str:
        """The address of the instructor's view."""
        return f"http://{HOST}:{self.port}/{self.token}/paths"

    def _room(self, asked: Request | WebSocket) -> Room | None:
        """The room that a request may enter."""
        found = None
        for room in self.rooms:  # all are compared: how long it takes tells nothing
            found = room if self._may(asked, room.token) else found
        return found

    def _may(self, asked: Request | WebSocket, token: str) -> bool:
        """Whether a request has the token, and came under the loopback's own name and from its own pages."""
        said = asked.path_params.get("token", "").encode()
        known = hmac.compare_digest(token.encode(), said)
        names = {f"{HOST}:{self.port}", f"localhost:{self.port}"}
        origin = asked.headers.get("origin")
        own = origin is None or origin in {f"http://{name}" for name in names}
        return known and own and asked.headers.get("host") in names

    async def _page(self, request: Request) -> Response:
        from starlette.responses import HTMLResponse

        room = self._room(request)
        if room is None:
            return _nothing()
        return HTMLResponse(self._html(room), headers=HEADERS)

    def _html(self, room: Room) -> str:
        told = {"scene": scene(room.case), "fields": self._fields, "words": self.words.under("page")}
        return self._filled("page.html", told)

    def _filled(self, name: str, told: dict[str, Any]) -> str:
        data = json.dumps(told, allow_nan=False).replace("<", "\\u003c").replace("&", "\\u0026")
        text = (ASSETS / name).read_text("utf-8")
        for key, place in (("language", "language"), ("page.title", "title"), ("page.noscript", "noscript")):
            text = text.replace(f"{{{place}}}", html.escape(self.words(key)))
        return text.replace("{data}", data)

    async def _file(self, request: Request) -> Response:
        from starlette.responses import FileResponse

        name = request.path_params["name"]
        allowed = self._room(request) is not None or self._may(request, self.token)
        if not allowed or name not in FILES:
            return _nothing()
        kind = mimetypes.guess_type(name)[0] or "text/plain"
        return FileResponse(ASSETS / name, media_type=kind, headers=HEADERS)

    async def _recording(self, request: Request) -> Response:
        seat, form = self._seat(request), request.path_params["form"]
        if seat is None or form not in ("csv", "parquet"):
            return _nothing()
        return await plots.download(seat.live, form, HEADERS)

    def _seat(self, request: Request) -> Seat | None:
        """The seat that a request names, where it may enter its room."""
        room = self._room(request)
        seat = self.seats.seats.get(request.query_params.get("seat", ""))
        return None if room is None or seat is None or seat.room != room.token else seat

    async def _answer(self, request: Request) -> Response:
        from starlette.responses import Response

        seat = self._seat(request)
        if seat is None:
            return _nothing()
        name = f"answer-{seat.live.case.group or 'nobody'}.json"
        told = {**HEADERS, "Content-Disposition": f'attachment; filename="{name}"'}
        return Response(findings.text(seat.live), media_type="application/json", headers=told)

    async def _paths(self, request: Request) -> Response:
        from starlette.responses import HTMLResponse

        if self._overview is None or not self._may(request, self.token):
            return _nothing()
        if self._working is None:
            self._working = asyncio.create_task(asyncio.to_thread(self._overview.work_out))
        return HTMLResponse(self._filled("paths.html", {"words": self.words.under("paths")}), headers=HEADERS)

    async def _paths_told(self, request: Request) -> Response:
        from starlette.responses import JSONResponse

        if self._overview is None or not self._may(request, self.token):
            return _nothing()
        return JSONResponse(self._overview.document(self.seats.seats.values()), headers=HEADERS)

    def keep_answer(self, seat: Seat) -> None:
        """Write an answer where answers are kept; what a full disk says is told on the page."""
        if self._answers is not None:
            try:
                findings.keep(seat.live, self._answers, seat.place)
            except (InputError, OSError) as error:
                raise RefusedError(str(error)) from None

    # ---- the socket

    async def _talk(self, socket: WebSocket) -> None:
        room = self._room(socket)
        if room is None or self._pages >= MOST_PAGES:
            await socket.close(1008)  # before it is accepted: the handshake answers 403
            return
        seat = self.seats.find(room.token, room.case, socket.query_params.get("seat", "")[:64])
        await socket.accept()
        if seat is None:
            await socket.send_text(json.dumps({"full": self.words("no.seat")}))
            await socket.close(1013)
            return
        self._pages += 1
        seat.enter()
        page = Page(socket, seat, self.words, self.keep_answer)
        try:
            await page.serve()
        finally:
            self._pages -= 1
            seat.leave()


class Page:
    """One page's end of the socket."""

    def __init__(self, socket: WebSocket, seat: Seat, words: Words, keep: Callable[[Seat], None]) -> None:
        self._socket, self._seat, self._words, self._keep = socket, seat, words, keep
        self._view: plots.View | None = None
        self._stirred = asyncio.Event()
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
            with contextlib.suppress(Exception):
                await self._socket.close(1000)

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
            self._stirred.set()

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
            self._stirred.clear()
            answers, self._answers = self._answers, []
            for answer in answers:
                await self._send(answer)
            told = json.dumps({"now": snapshot(self._seat.live)}, allow_nan=False)
            if told != last:
                await self._send(told)
                last = told
            if self._view is not None:
                state = plots.state(self._seat.live, self._view)
                if state != drawn:
                    drawn = state
                    await self._send(plots.picture(self._seat.live, self._view))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stirred.wait(), PICTURE_S)

    def _boxes(self) -> list[dict[str, str]]:
        return [] if self._seat.live.case.secret else self._seat.where()

    async def _send(self, told: str | bytes) -> None:
        sending = self._socket.send_text(told) if isinstance(told, str) else self._socket.send_bytes(told)
        await asyncio.wait_for(sending, DEAF_S)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _nothing() -> Response:
    from starlette.responses import PlainTextResponse

    return PlainTextResponse("404", 404, headers=HEADERS)
