"""Serves the terminal program: each page that is opened runs a program of its own."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import shlex
import socket
import sys
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

from aiohttp import WSCloseCode, WSMessage, WSMsgType, web
from aiohttp.typedefs import Handler
from textual_serve.app_service import AppService
from textual_serve.server import Server

from tether.text import parsed_json
from tether.web.guard import Guard, listen

_PAGE = Path(__file__).parent / "page"

MOST_CELLS = 1000
"""Columns and rows beyond which no screen is made: an 8K display with tiny letters has fewer."""

_SECONDS_TO_CLOSE = 1.0
"""How long a page may take to say good-bye."""


class BenchServer(Server):
    """`textual-serve`'s server with a guard before it and a page that loads nothing from outside.

    Parameters
    ----------
    words
        The command and its options, as for the terminal: ``["shoot", "Harbour"]``.
    listening
        A socket that is bound to a port of 127.0.0.1.
    """

    def __init__(self, words: Sequence[str], listening: socket.socket) -> None:
        host, port = listening.getsockname()[:2]
        # It runs a shell. "exec" leaves none between the server and the program, which ends
        # when its parent has gone. "-P": a file of the working directory is never taken for a
        # module of the program.
        command = "exec " + shlex.join([sys.executable, "-P", "-m", "tether", *words])
        super().__init__(
            command, host=host, port=port, title=f"tether {words[0]}", templates_path=_PAGE
        )
        self.listening = listening
        self._pages: set[web.WebSocketResponse] = set()
        self.guard = Guard(f"{host}:{port}", "'tether web' shows in its terminal")

    def initialize_logging(self) -> None:
        """Log what went wrong, and not each page."""
        logging.basicConfig(level="WARNING", format="%(message)s")

    async def _make_app(self) -> web.Application:
        app = await super()._make_app()
        app.middlewares.extend((self.guard.middleware(), _check_size))
        app.router.add_get("/bench.js", self._script)
        app.on_response_prepare.append(self.guard.add_headers)
        return app

    async def _script(self, _request: web.Request) -> web.FileResponse:
        return web.FileResponse(_PAGE / "bench.js")

    async def _process_messages(
        self, websocket: web.WebSocketResponse, app_service: AppService
    ) -> None:
        self._pages.add(websocket)
        try:
            await super()._process_messages(_Messages(websocket), app_service)  # type: ignore[arg-type]
        finally:
            self._pages.discard(websocket)

    async def on_shutdown(self, _app: web.Application) -> None:
        """Close the pages; one that does not answer is not waited for."""
        for page in tuple(self._pages):
            with contextlib.suppress(asyncio.TimeoutError, ConnectionError):
                async with asyncio.timeout(_SECONDS_TO_CLOSE):
                    await page.close(code=WSCloseCode.GOING_AWAY)

    async def on_startup(self, app: web.Application) -> None:
        """Say nothing yet: nobody is listened to until all has started."""

    def _announce(self, _line: str) -> None:
        """Say where the bench is, and who may come."""
        print(
            f"The bench is at\n\n    {self.guard.address}\n\n"
            "Open it in a browser on this machine; no other machine can. Keep the address to "
            "yourself:\nanyone who has it can work on your rolls. A roll can be open in one page "
            "only.\nCtrl-C here ends it; every filed picture is stored.",
            flush=True,
        )

    def serve(self, debug: bool = False) -> None:
        """Serve until Ctrl-C."""
        self.debug = debug
        self.initialize_logging()
        web.run_app(
            self._make_app(),
            sock=self.listening,
            print=self._announce,
            shutdown_timeout=10,
            access_log=None,
        )


def _is_size(value: object) -> bool:
    """Tell whether a number of columns or rows is one that a screen has."""
    try:
        return 1 <= int(str(value)) <= MOST_CELLS
    except ValueError:
        return False


@web.middleware
async def _check_size(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Refuse a page of a size that would take the machine's memory."""
    if not all(_is_size(request.query.get(side, "80")) for side in ("width", "height")):
        return web.Response(status=400, text=f"A page has 1 to {MOST_CELLS} columns and rows.\n")
    return await handler(request)


class _Messages:
    """A page's websocket; what the page's own script would not send is left out."""

    def __init__(self, websocket: web.WebSocketResponse) -> None:
        self._websocket = websocket
        self.send_json = websocket.send_json

    async def __aiter__(self) -> AsyncIterator[WSMessage]:
        async for message in self._websocket:
            if message.type is WSMsgType.TEXT and _makes_sense(message.data):
                yield message


def _makes_sense(text: str) -> bool:
    try:
        kind, *values = parsed_json(text)
        if kind == "resize":
            return all(_is_size(values[0][side]) for side in ("width", "height"))
        if kind == "stdin":
            return bool(values[0].encode("utf-8"))
        return kind in ("blur", "focus") or bool(values)
    except (ValueError, LookupError, TypeError, AttributeError):
        return False


def serve(words: Sequence[str], port: int) -> None:
    """Serve a command of the terminal on a port of 127.0.0.1, until Ctrl-C."""
    with listen(port) as listening:
        BenchServer(words, listening).serve()
