"""Who may reach the bench over HTTP: this machine's browser, with the address that was printed.

A page from anywhere can open a connection to 127.0.0.1 in the browser of whoever visits it:
browsers ask nobody before they open a websocket (RFC 6455, section 10.2, leaves the check to the
server), and a name that is made to point at 127.0.0.1 (DNS rebinding) makes even ordinary
requests its own. `textual-serve` checks neither. So three things have to be right:

- ``Host`` is the address that was printed, which a rebound name is not;
- ``Origin``, which a browser sends with every websocket and with all that is posted, is that
  address too;
- the key, an unguessable part of the address that was printed, was shown once. It is kept in a
  cookie that other sites' pages cannot use (``SameSite=Strict``), and which scripts cannot read.
"""

from __future__ import annotations

import hmac
import secrets
import socket

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from tether.errors import TetherError

LOOPBACK = "127.0.0.1"

COOKIE = "tether-bench"
"""Name of the cookie that holds the key."""

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
    "img-src 'self' data:; connect-src 'self' ws://{host}; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'none'"
)


class Guard:
    """Lets requests through, or says why not.

    Parameters
    ----------
    host
        Address and port, as they stand in the address bar: ``127.0.0.1:8712``.
    where
        Where the address was shown, for a sentence.
    """

    def __init__(self, host: str, where: str) -> None:
        self.host = host
        self._where = where
        self.key = secrets.token_urlsafe(24)

    @property
    def address(self) -> str:
        """What to open in the browser."""
        return f"http://{self.host}/?key={self.key}"

    def complaint(self, request: web.Request) -> str | None:
        """Say what is wrong with a request, None where nothing is."""
        if request.headers.get("Host") != self.host:
            return f"This bench is at http://{self.host} and under no other name."
        origin = request.headers.get("Origin")
        if origin is not None and origin != f"http://{self.host}":
            return "Another site's page may not reach this bench."
        if origin is None and (request.path == "/ws" or request.method != "GET"):
            return "A browser says where a page is from."
        shown = request.query.get("key") if request.path == "/" else None
        given = shown or request.cookies.get(COOKIE, "")
        # As bytes: of texts it compares those in ASCII only.
        if not hmac.compare_digest(given.encode("utf-8", "replace"), self.key.encode()):
            return f"Open the whole address that {self._where}."
        return None

    def middleware(self) -> Middleware:
        """Return the check as aiohttp wants it."""

        @web.middleware
        async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
            complaint = self.complaint(request)
            if complaint is not None:
                return web.Response(status=403, text=f"{complaint}\n")
            if "key" in request.query and request.path == "/":
                # Out of the address bar and the history with it.
                response = web.Response(status=303, headers={"Location": "/"})
                response.set_cookie(COOKIE, self.key, httponly=True, samesite="Strict")
                return response
            return await handler(request)

        return check

    async def add_headers(self, _request: web.Request, response: web.StreamResponse) -> None:
        """Forbid a page to load, or to be shown, anywhere but here."""
        response.headers["Content-Security-Policy"] = _POLICY.format(host=self.host)
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["Cache-Control"] = "no-store"


def listen(port: int) -> socket.socket:
    """Return a socket on 127.0.0.1; port 0 for any that is free.

    Raises
    ------
    TetherError
        When the port is taken or may not be used.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((LOOPBACK, port))
    except OSError as error:
        listening.close()
        raise TetherError(
            f"Port {port} cannot be used: {error.strerror}.",
            todo="Name another with --port, or none to have a free one chosen.",
        ) from error
    return listening
