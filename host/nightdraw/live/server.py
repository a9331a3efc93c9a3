"""The page's server: one address with a token in it, a socket for moves and pictures, nothing else.

Whoever hasn't the token gets 404 for everything. A page of another origin, or one reached by another name
than the loopback's, is let in nowhere.
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
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw.bench.control import RefusedError
from nightdraw.errors import InputError
from nightdraw.live import connection, findings, plots
from nightdraw.live.overview import Overview
from nightdraw.live.scene import scene
from nightdraw.live.seats import TURN_S, Seat, Seats
from nightdraw.live.vehicle import Case
from nightdraw.report.words import Words

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
LEAST_REST_S = 0.002  # of each turn is the pages'
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
            server_header=False, ws_ping_interval=connection.STALLED_S, ws_ping_timeout=connection.STALLED_S,
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
        given = asked.path_params.get("token", "").encode()
        known = hmac.compare_digest(token.encode(), given)
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
        values = {"scene": scene(room.case), "fields": self._fields, "words": self.words.under("page")}
        return self._filled("page.html", values)

    def _filled(self, name: str, values: dict[str, Any]) -> str:
        data = json.dumps(values, allow_nan=False).replace("<", "\\u003c").replace("&", "\\u0026")
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
        values = {**HEADERS, "Content-Disposition": f'attachment; filename="{name}"'}
        return Response(findings.text(seat.live), media_type="application/json", headers=values)

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
        if seat is None:
            await socket.accept()
            await socket.send_text(json.dumps({"full": self.words("no.seat")}))
            await socket.close(1013)
            return
        self._pages += 1
        seat.enter()  # before anything is waited for: nobody else is given it
        try:
            await socket.accept()
            await connection.Page(socket, seat, self.words, self.keep_answer).serve()
        finally:
            self._pages -= 1
            seat.leave()


def _nothing() -> Response:
    from starlette.responses import PlainTextResponse

    return PlainTextResponse("404", 404, headers=HEADERS)
