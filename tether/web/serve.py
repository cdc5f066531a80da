"""Serves the terminal program: each page that is opened runs a program of its own."""

from __future__ import annotations

import logging
import shlex
import socket
import sys
from collections.abc import Sequence
from pathlib import Path

from aiohttp import web
from textual_serve.server import Server

from tether.web.guard import Guard, listen

_PAGE = Path(__file__).parent / "page"


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
        self.guard = Guard(f"{host}:{port}", "'tether web' shows in its terminal")

    def initialize_logging(self) -> None:
        """Log what went wrong, and not each page."""
        logging.basicConfig(level="WARNING", format="%(message)s")

    async def _make_app(self) -> web.Application:
        app = await super()._make_app()
        app.middlewares.append(self.guard.middleware())
        app.router.add_get("/bench.js", self._script)
        app.on_response_prepare.append(self.guard.add_headers)
        return app

    async def _script(self, _request: web.Request) -> web.FileResponse:
        return web.FileResponse(_PAGE / "bench.js")

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


def serve(words: Sequence[str], port: int) -> None:
    """Serve a command of the terminal on a port of 127.0.0.1, until Ctrl-C."""
    with listen(port) as listening:
        BenchServer(words, listening).serve()
