"""Who reaches the bench over HTTP, and who does not. No program is started here."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest
from aiohttp import ClientSession, CookieJar, WSServerHandshakeError, web

from tether.errors import TetherError
from tether.web.guard import COOKIE, listen
from tether.web.serve import BenchServer


@pytest.fixture
async def server() -> AsyncIterator[BenchServer]:
    listening = listen(0)
    served = BenchServer(["rehearse"], listening)
    runner = web.AppRunner(await served._make_app())
    await runner.setup()
    await web.SockSite(runner, listening).start()
    yield served
    await runner.cleanup()
    listening.close()


@pytest.fixture
async def client() -> AsyncIterator[ClientSession]:
    # Cookies of an address without a name are dropped unless that is asked for.
    async with ClientSession(cookie_jar=CookieJar(unsafe=True)) as session:
        yield session


def at(server: BenchServer, path: str) -> str:
    return f"http://{server.guard.host}{path}"


async def test_it_listens_on_loopback_alone(server: BenchServer) -> None:
    assert server.listening.getsockname()[0] == "127.0.0.1"


async def test_the_address_opens_the_page_and_is_gone_from_the_address_bar(
    server: BenchServer, client: ClientSession
) -> None:
    async with client.get(server.guard.address) as answer:
        assert answer.status == 200
        assert str(answer.url) == at(server, "/")
        page = await answer.text()
        policy = answer.headers["Content-Security-Policy"]
        cookie = answer.history[0].headers["Set-Cookie"]
    assert f"ws://{server.guard.host}/ws" in page
    assert page.count("://") == page.count(f"://{server.guard.host}"), "nothing from outside"
    assert "default-src 'none'" in policy
    assert f"ws://{server.guard.host}" in policy
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    for path in ("/static/js/textual.js", "/static/css/xterm.css", "/bench.js"):
        async with client.get(at(server, path)) as answer:
            assert answer.status == 200, path


@pytest.mark.parametrize("path", ["/", "/?key=wrong", "/static/js/textual.js", "/ws"])
async def test_without_the_key_nothing_is_shown(
    server: BenchServer, client: ClientSession, path: str
) -> None:
    origin = {"Origin": f"http://{server.guard.host}"}
    async with client.get(at(server, path), headers=origin) as answer:
        assert answer.status == 403
        assert "whole address" in await answer.text()


async def test_a_key_in_any_letters_is_a_wrong_key(
    server: BenchServer, client: ClientSession
) -> None:
    for wrong in ("?key=%C3%BC", "?key=%ff%00", ""):
        cookie = {"Cookie": f"{COOKIE}=ü"}
        async with client.get(at(server, f"/{wrong}"), headers=cookie) as answer:
            assert answer.status == 403
            assert "whole address" in await answer.text()


@pytest.mark.parametrize("size", ["1000000000", "0", "-1", "x", "9" * 5000])
async def test_a_page_of_a_size_that_no_screen_has_is_refused(
    server: BenchServer, client: ClientSession, size: str
) -> None:
    async with client.get(server.guard.address):
        pass  # the cookie is there now
    with pytest.raises(WSServerHandshakeError, match="400"):
        await client.ws_connect(
            at(server, f"/ws?width={size}"), origin=f"http://{server.guard.host}"
        )


async def test_what_the_page_s_script_would_not_send_reaches_no_program(
    server: BenchServer, client: ClientSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    came: list[object] = []

    class Program:
        def __init__(self, *_: object, **__: object) -> None: ...

        async def start(self, width: int, height: int) -> None:
            came.append((width, height))

        async def stop(self) -> None: ...

        async def send_bytes(self, data: bytes) -> None:
            came.append(data)

        async def set_terminal_size(self, width: int, height: int) -> None:
            came.append((width, height))

    monkeypatch.setattr("textual_serve.server.AppService", Program)
    async with client.get(server.guard.address):
        pass
    origin = f"http://{server.guard.host}"
    async with client.ws_connect(at(server, "/ws?width=90&height=30"), origin=origin) as page:
        for text in (
            "", "[]", "7", '["ping"]', '["stdin"]', '["stdin", 7]', '["stdin", "\\ud800"]',
            '["resize", {"width": 1000000000, "height": 24}]', '["resize", {}]', "[" * 5000,
        ):  # fmt: skip
            await page.send_str(text)
        await page.send_json(["resize", {"width": 100, "height": 40}])
        await page.send_json(["stdin", "q"])
        await page.send_json(["ping", 1])
        assert await page.receive_json() == ["pong", 1], "the page is still open"
    assert came == [(90, 30), (100, 40), b"q"]


@pytest.mark.parametrize("host", ["attacker.example", "localhost", "127.0.0.1", "[::1]"])
async def test_another_name_for_this_machine_is_refused(
    server: BenchServer, client: ClientSession, host: str
) -> None:
    """DNS rebinding: the browser sends the name that it asked for as Host (RFC 9110, 7.2)."""
    port = server.guard.host.rsplit(":", 1)[1]
    for named in (host if host == "127.0.0.1" else f"{host}:{port}", host):
        async with client.get(server.guard.address, headers={"Host": named}) as answer:
            assert answer.status == 403
            assert COOKIE not in answer.cookies


@pytest.mark.parametrize(
    "origin", ["http://attacker.example", "https://127.0.0.1", "null", "http://localhost"]
)
async def test_another_sites_page_opens_no_websocket(
    server: BenchServer, client: ClientSession, origin: str
) -> None:
    """Browsers send Origin with a websocket and leave the check to the server (RFC 6455, 10.2)."""
    async with client.get(server.guard.address):
        pass  # the cookie is there now
    with pytest.raises(WSServerHandshakeError, match="403"):
        await client.ws_connect(at(server, "/ws"), origin=origin)
    with pytest.raises(WSServerHandshakeError, match="403"):
        await client.ws_connect(at(server, "/ws"))


def test_a_port_that_is_taken_is_said_in_words() -> None:
    with listen(0) as first:
        first.listen()
        with pytest.raises(TetherError, match="cannot be used"):
            listen(first.getsockname()[1])
