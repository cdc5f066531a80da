"""The window's page: served on 127.0.0.1 to whoever has the address, beside the terminal."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import sys
import threading
import webbrowser
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from aiohttp import web

from tether.errors import TetherError
from tether.measure.focus.sharpness import PLACES
from tether.proof.sheet import proof_cells
from tether.session.session import View
from tether.tui.session_port import SessionPort
from tether.web.guard import Guard
from tether.window.pictures import LARGEST_STEP, LOOKS, TILE, PictureWorker, Take
from tether.window.port import WindowPort
from tether.worker_process import RAW_MEMORY_BYTES, RAW_SECONDS, WorkerProcess

_PAGE = Path(__file__).parent / "page"
_FILES = {"/": "index.html", "/window.js": "window.js", "/window.css": "window.css"}
_PATIENCE = 20.0
"""Seconds after which a page that waits for news is answered without any, and asks again."""
_TAKES = 500
"""Takes whose file is remembered, and whose small picture is kept."""
_LONGEST = 4096
"""Bytes of what a page may send."""


class Window:
    """Serves the page from the event loop of whoever starts it.

    Parameters
    ----------
    listening
        A socket that is bound to a port of 127.0.0.1.
    """

    def __init__(self, listening: socket.socket) -> None:
        host, port = listening.getsockname()[:2]
        self._listening = listening
        self.guard = Guard(f"{host}:{port}", "the terminal shows")
        self._worker = WorkerProcess(
            PictureWorker, name="The window's picture maker", memory_bytes=RAW_MEMORY_BYTES
        )
        self._work: WindowPort | None = None
        self._runner: web.AppRunner | None = None
        self._news = asyncio.Condition()
        self._seen: View | None = None
        self._version = 0
        self._takes: OrderedDict[int, Take] = OrderedDict()
        self._small: OrderedDict[int, bytes] = OrderedDict()
        self._cells: dict[int, bytes] = {}
        self._proofing = asyncio.Lock()
        self._parts_wanted = 0
        self._no_part = asyncio.Event()
        self._no_part.set()

    @property
    def address(self) -> str:
        """What to open in the browser."""
        return self.guard.address

    def show(self) -> None:
        """Open the page in the person's browser, where there is one with a window of its own."""
        if sys.platform == "darwin" or {"DISPLAY", "WAYLAND_DISPLAY"} & os.environ.keys():
            threading.Thread(target=webbrowser.open, args=(self.address,), daemon=True).start()

    async def start(self, port: SessionPort) -> None:
        """Begin to serve a session's work."""
        self._work = work = WindowPort(port)
        work.watch(self._told)
        app = web.Application(
            middlewares=[self.guard.middleware(), _in_words], client_max_size=_LONGEST
        )
        app.on_response_prepare.append(self.guard.add_headers)
        for path in _FILES:
            app.router.add_get(path, self._file)
        app.router.add_get("/state", self._state)
        app.router.add_get("/live", self._live)
        app.router.add_get("/take/{take:\\d+}", self._size)
        app.router.add_get("/take/{take:\\d+}/small", self._small_picture)
        app.router.add_get(
            "/take/{take:\\d+}/{look:[a-z]+}/{step:\\d+}/{column:\\d+}/{row:\\d+}", self._part
        )
        app.router.add_get("/proof", self._proof)
        app.router.add_get("/proof/{frame:\\d+}", self._proof_cell)
        app.router.add_post("/do", self._do)
        self._runner = web.AppRunner(app, handle_signals=False, access_log=None, shutdown_timeout=1)
        await self._runner.setup()
        await web.SockSite(self._runner, self._listening).start()

    def _told(self) -> None:
        """Let waiting pages know that there is another view, or a live picture."""
        seen = self._at_work().seen
        if seen is not self._seen:
            self._seen, self._version = seen, self._version + 1
        self._waking = asyncio.ensure_future(self._wake())

    async def _wake(self) -> None:
        async with self._news:
            self._news.notify_all()

    async def close(self) -> None:
        """Stop serving."""
        if self._runner is not None:
            await self._runner.cleanup()
        self._worker.close()

    # --- the page --------------------------------------------------------------------------

    async def _file(self, request: web.Request) -> web.FileResponse:
        return web.FileResponse(_PAGE / _FILES[request.path])

    async def _state(self, request: web.Request) -> web.Response:
        """Answer with the state, once it is another one than the page has."""
        known = request.query.get("known", "")
        if not await self._until(lambda: known != str(self._version)):
            return web.Response(status=204)
        version = self._version
        state = await self._at_work().state()
        state |= {"version": str(version), "places": PLACES, "tile": TILE, "looks": LOOKS}
        return web.json_response(state | {"largest_step": LARGEST_STEP})

    async def _live(self, request: web.Request) -> web.Response:
        """Answer with the newest live picture, once it is another one than the page has."""
        known = request.query.get("known", "0")
        work = self._at_work()
        if not await self._until(lambda: str(work.live[0]) != known):
            return web.Response(status=204)
        number, jpeg = work.live
        return web.Response(body=jpeg, content_type="image/jpeg", headers={"X-Number": str(number)})

    async def _until(self, so: Callable[[], bool]) -> bool:
        """Wait for something; say whether it came before the page had to ask again."""
        async with self._news:
            try:
                async with asyncio.timeout(_PATIENCE):
                    return await self._news.wait_for(so)
            except TimeoutError:
                return False

    async def _do(self, request: web.Request) -> web.Response:
        try:
            given = await request.json()
        except (ValueError, RecursionError):
            given = None
        if not isinstance(given, dict):
            raise TetherError("The window sent something that cannot be read.")
        said = await self._at_work().do(str(given.get("action")), given)
        return web.json_response({"said": said})

    # --- pictures --------------------------------------------------------------------------

    async def _size(self, request: web.Request) -> web.Response:
        width, height = await self._call("size", await self._take(request))
        return web.json_response({"width": width, "height": height})

    async def _part(self, request: web.Request) -> web.Response:
        asked = request.match_info
        step, column, row = (int(asked[name]) for name in ("step", "column", "row"))
        take, look = await self._take(request), asked["look"]
        if step not in (2**n for n in range(LARGEST_STEP.bit_length())):
            raise TetherError("There is no such part of a take.")
        if look == "marks":
            made = await self._call("marks", take, step, column, row)
            return web.Response(body=made, content_type="image/png")
        if look not in LOOKS:
            raise TetherError("A take cannot be shown like that.")
        made = await self._call("tile", take, look, step, column, row)
        return web.Response(body=made, content_type="image/jpeg")

    async def _small_picture(self, request: web.Request) -> web.Response:
        number = int(request.match_info["take"])
        if number not in self._small:
            take = await self._take(request)
            await self._no_part.wait()  # what is looked at comes first
            self._small[number] = await asyncio.to_thread(self._made, "small", take)
            while len(self._small) > _TAKES:
                self._small.popitem(last=False)
        return web.Response(body=self._small[number], content_type="image/jpeg")

    async def _proof(self, _request: web.Request) -> web.Response:
        return web.json_response(await self._at_work().proof())

    async def _proof_cell(self, request: web.Request) -> web.Response:
        """Answer with a frame's small positive on the proof; all are made with the first."""
        async with self._proofing:
            number = int(request.match_info["frame"])
            if number not in self._cells:
                source = await self._at_work().proof_source()
                self._cells = await asyncio.to_thread(lambda: dict(proof_cells(*source)))
        if number not in self._cells:
            raise TetherError("This frame is not on the proof.")
        return web.Response(body=self._cells[number], content_type="image/jpeg")

    async def _take(self, request: web.Request) -> Take:
        number = int(request.match_info["take"])
        if number not in self._takes:
            self._takes[number] = await self._at_work().take(number)
            while len(self._takes) > _TAKES:
                self._takes.popitem(last=False)
        return self._takes[number]

    async def _call(self, method: str, *args: Any) -> Any:
        """Have the worker make what is in view; a worker that died is started again."""
        self._parts_wanted += 1
        self._no_part.clear()
        try:
            return await asyncio.to_thread(self._made, method, *args)
        finally:
            self._parts_wanted -= 1
            if not self._parts_wanted:
                self._no_part.set()

    def _made(self, method: str, *args: Any) -> Any:
        self._worker.start()
        return self._worker.call(method, *args, timeout=RAW_SECONDS)

    def _at_work(self) -> WindowPort:
        if self._work is None:
            raise TetherError("The roll is not open yet.")
        return self._work


@web.middleware
async def _in_words(
    request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
) -> web.StreamResponse:
    try:
        return await handler(request)
    except TetherError as error:
        return web.Response(
            status=409, text=json.dumps({"error": str(error)}), content_type="application/json"
        )
