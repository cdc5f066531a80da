"""Headless Chromium, spoken to over its DevTools protocol: open a page, type, look at it."""

from __future__ import annotations

import asyncio
import base64
import itertools
import json
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")

_QUIET = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--remote-debugging-port=0", "--window-size=1200,800",
]  # fmt: skip


class Page:
    """One page of the browser."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self.requested: list[str] = []
        """Addresses of everything that the page loaded."""
        self.received = b""
        """What came over websockets, all of it binary."""
        self.complaints: list[str] = []
        """What the browser's console had to say in red."""

    async def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Call a method of the protocol and return its result."""
        number = next(self._numbers)
        await self._socket.send_json({"id": number, "method": method, "params": parameters})
        while True:
            message = json.loads((await self._socket.receive()).data)
            self._note(message)
            if message.get("id") == number:
                assert "error" not in message, message
                result: dict[str, Any] = message["result"]
                return result

    def _note(self, message: dict[str, Any]) -> None:
        about = message.get("params", {})
        match message.get("method"):
            case "Network.requestWillBeSent":
                self.requested.append(about["request"]["url"])
            case "Network.webSocketCreated":
                self.requested.append(about["url"])
            case "Network.webSocketFrameReceived" if about["response"]["opcode"] == 2:
                self.received += base64.b64decode(about["response"]["payloadData"])
            case "Log.entryAdded" if about["entry"]["level"] == "error":
                self.complaints.append(about["entry"]["text"])
            case "Runtime.exceptionThrown":
                self.complaints.append(str(about["exceptionDetails"]))

    async def open(self, address: str) -> None:
        """Go to an address."""
        for domain in ("Page", "Network", "Log", "Runtime"):
            await self.call(f"{domain}.enable")
        await self.call("Page.navigate", url=address)

    async def value(self, expression: str) -> Any:
        """Return the value of a JavaScript expression on the page."""
        result = await self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        return result["result"].get("value")

    async def press(self, text: str) -> None:
        """Type text, as the keyboard does."""
        for sign in text:
            code = {"text": sign, "key": sign, "unmodifiedText": sign}
            if sign == "\r":
                code |= {"key": "Enter", "code": "Enter", "windowsVirtualKeyCode": 13}  # type: ignore[dict-item]
            await self.call("Input.dispatchKeyEvent", type="keyDown", **code)
            await self.call("Input.dispatchKeyEvent", type="keyUp", key=code["key"])

    async def picture(self) -> bytes:
        """Return what is to be seen as PNG."""
        return base64.b64decode((await self.call("Page.captureScreenshot"))["data"])


@asynccontextmanager
async def browser(folder: Path) -> AsyncIterator[Page]:
    """Start Chromium with an empty profile, and end it."""
    assert PROGRAM is not None
    process = await asyncio.create_subprocess_exec(
        PROGRAM, *_QUIET, f"--user-data-dir={folder}", "about:blank",
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stderr is not None
        port = ""
        async for line in process.stderr:
            if b"DevTools listening on" in line:
                port = line.decode().rsplit(":", 1)[1].split("/")[0]
                break
        async with aiohttp.ClientSession() as session:
            async with session.get(f"http://127.0.0.1:{port}/json") as listed:
                pages = [p for p in await listed.json() if p["type"] == "page"]
            async with session.ws_connect(
                pages[0]["webSocketDebuggerUrl"], max_msg_size=0
            ) as socket:
                yield Page(socket)
    finally:
        process.terminate()
        await process.wait()
