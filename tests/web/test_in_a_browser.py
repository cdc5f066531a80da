"""The program behind a page: over a websocket, and in a browser where there is one."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from aiohttp import ClientSession, ClientWebSocketResponse, CookieJar, WSMsgType

from tests.web.chromium import PROGRAM, browser

_PATIENCE = 30.0


@pytest.fixture
async def served(tmp_path: Path) -> AsyncIterator[tuple[str, asyncio.subprocess.Process]]:
    """``tether web rehearse``; the address that it prints, and its process."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tether", "web", "rehearse", "--archive", str(tmp_path / "archive"),
        stdout=asyncio.subprocess.PIPE, env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    said = b""
    while not (found := re.search(rb"http://\S+", said)):
        line = await asyncio.wait_for(process.stdout.readline(), _PATIENCE)
        assert line, said
        said += line
    yield found[0].decode(), process
    if process.returncode is None:
        process.terminate()
    await process.communicate()


async def bench(session: ClientSession, address: str) -> ClientWebSocketResponse:
    """Do what the page does: open the address, then the websocket."""
    async with session.get(address) as answer:
        assert answer.status == 200
    host = address.split("/")[2]
    return await session.ws_connect(
        f"http://{host}/ws?width=80&height=24", origin=f"http://{host}", max_msg_size=0
    )


async def written(socket: ClientWebSocketResponse, words: bytes) -> bytes:
    """Read what the program writes until some words have come."""
    seen = b""
    while words not in seen:
        message = await asyncio.wait_for(socket.receive(), _PATIENCE)
        assert message.type in (WSMsgType.BINARY, WSMsgType.TEXT), (message, seen[-2000:])
        seen += message.data if isinstance(message.data, bytes) else b""
    return seen


async def ended(socket: ClientWebSocketResponse) -> None:
    """Wait until the program has closed its page."""
    while not socket.closed:
        await asyncio.wait_for(socket.receive(), _PATIENCE)


async def test_one_page_is_the_bench_a_second_one_is_told_so_and_leaving_ends_the_program(
    served: tuple[str, asyncio.subprocess.Process],
) -> None:
    address, process = served
    async with ClientSession(cookie_jar=CookieJar(unsafe=True)) as session:
        first = await bench(session, address)
        await written(first, b"Next:")
        second = await bench(session, address)
        await written(second, b"open in another program")
        await second.send_json(["stdin", "q"])
        await ended(second)
        await first.send_json(["stdin", "?"])
        await written(first, b"Help: Main screen")
        await first.send_json(["stdin", "?"])
        await first.send_json(["stdin", "q"])
        await ended(first)
    assert process.returncode is None, "the server goes on"


async def test_a_server_that_is_killed_leaves_no_program_behind(
    served: tuple[str, asyncio.subprocess.Process], tmp_path: Path
) -> None:
    address, process = served
    async with ClientSession(cookie_jar=CookieJar(unsafe=True)) as session:
        socket = await bench(session, address)
        await written(socket, b"Next:")
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text("ascii")
        program = int(children.split()[0])
        assert b"rehearse" in Path(f"/proc/{program}/cmdline").read_bytes()
        process.send_signal(signal.SIGKILL)
        await process.wait()
        for _ in range(300):
            if not Path(f"/proc/{program}").exists():
                break
            await asyncio.sleep(0.1)
        assert not Path(f"/proc/{program}").exists()


@pytest.mark.skipif(PROGRAM is None, reason="the program chromium is not installed")
async def test_chromium_shows_it_takes_keys_and_loads_nothing_from_outside(
    served: tuple[str, asyncio.subprocess.Process], tmp_path: Path
) -> None:
    address, _ = served
    host = address.split("/")[2]

    async def came(words: bytes) -> None:
        for _ in range(300):
            shown = await page.value("document.body.className")
            if words in page.received and "-first-byte" in shown:
                return
            await asyncio.sleep(0.1)
        pytest.fail(f"never came: {words!r}")

    async with browser(tmp_path / "profile") as page:
        await page.open(address)
        await came(b"Next:")
        await page.press("?")
        await came(b"Help: Main screen")
        assert page.complaints == []
        assert page.requested
        assert {re.split("[:/]+", url)[1] for url in page.requested} == {host.split(":")[0]}
        assert await page.value("location.href") == f"http://{host}/"
        assert len(await page.picture()) > 5_000, "more than one colour"
        await page.press("?t")
        await came(b"Note about frame 1")
