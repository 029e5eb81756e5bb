"""Who may talk to the server: only this machine's browser that was given the token, and only from our own pages.

Loopback alone is no protection: any page in the coach's browser can send requests to it (cross-site posts) or point a name of its own
at it (DNS rebinding). So the Host header must be ours, a request that changes something must come from our own origin, and every
request needs the session's cookie.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
# A JSON body larger than this is no correction; recordings go to their own addresses, which count for themselves.
MAX_JSON_BYTES = 4 * 1024 * 1024
# Wrong passwords in a row before the answer waits, and for how long, seconds.
WRONG_PASSWORDS, WAIT_S = 5, 30.0

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; connect-src 'self';"
    " worker-src 'self'; font-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
)
HEADERS: Mapping[str, str] = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    # To nobody else. With no-referrer a browser would hide from us too that a form comes from our own page.
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "microphone=(self), camera=(), geolocation=()",
}


def cookie_name(host: str) -> str:
    """Name of the session's cookie under a Host header.

    Browsers keep cookies by host and forget the port: two servers on one machine would overwrite each other's.

    >>> cookie_name("127.0.0.1:8123")
    'voiceover_session_8123'
    """
    return f"voiceover_session_{urlsplit(f'//{host}').port or 80}"


@dataclass
class Gate:
    """What a session needs, and what it is."""

    hosts: frozenset[str]
    """Host names under which the server may be called, without port; its own addresses need none."""
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    """Stands in the start address."""
    session: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    """Value of the cookie."""
    password: str = ""
    """Asked for instead of the token where the server listens beyond this machine."""
    _wrong: int = 0
    _wait_until: float = 0.0

    def is_known_host(self, host: str, address: str = "") -> bool:
        """Whether a Host header names us.

        Args:
            address: the one of ours that the request came to: who writes it means us, whatever the machine is called.
        """
        try:
            parts = urlsplit(f"//{host}")
            name, _ = parts.hostname, parts.port
        except ValueError:
            return False
        return name is not None and name.lower() in {*self.hosts, address.lower()}

    def opens(self, token: str) -> bool:
        """Whether a token is the one of this run."""
        return not self.password and hmac.compare_digest(token.encode(), self.token.encode())

    def opens_by_password(self, password: str) -> bool:
        """Whether a password is right; after five wrong ones none is for half a minute."""
        if not self.password or time.monotonic() < self._wait_until:
            return False
        right = hmac.compare_digest(password.encode(), self.password.encode())
        self._wrong = 0 if right else self._wrong + 1
        if self._wrong >= WRONG_PASSWORDS:
            self._wrong, self._wait_until = 0, time.monotonic() + WAIT_S
        return right

    def is_open(self, headers: Headers) -> bool:
        """Whether a request carries the session's cookie."""
        name = cookie_name(headers.get("host", ""))
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        return name in cookies and hmac.compare_digest(cookies[name].value.encode(), self.session.encode())

    def enter(self, response: Response, host: str, *, secure: bool = False) -> Response:
        """Give the cookie along with a response to a request under a Host header."""
        response.set_cookie(cookie_name(host), self.session, httponly=True, samesite="strict", path="/", secure=secure)
        return response


class GateMiddleware:
    """Refuses what the gate does not open for, and puts the protecting headers on every answer."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self._app = app
        self._gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = await self._refusal(scope, receive)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)  # a report has a stricter policy of its own
                if "cache-control" not in headers:
                    headers["cache-control"] = "no-store"
            await send(message)

        await (answer or self._app)(scope, receive, with_headers)

    async def _refusal(self, scope: Scope, receive: Receive) -> Response | None:
        """The answer to a request that must not reach the pages; None where it may."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._gate.is_known_host(host, (scope.get("server") or ("",))[0]):
            return _no(421, "this server does not answer to that name")
        if scope["method"] not in SAFE_METHODS:
            if headers.get("origin", "") not in (f"http://{host}", f"https://{host}"):
                return _no(403, "a change must come from our own pages")
            if headers.get("sec-fetch-site", "same-origin") != "same-origin":
                return _no(403, "a change must come from our own pages")
            length = headers.get("content-length", "")
            if length.isdecimal() and int(length) > MAX_JSON_BYTES and not _takes_recordings(scope["path"]):
                return _no(413, "too large")
        path = scope["path"]
        if path == "/" and scope["method"] == "GET":
            token = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
            if token and self._gate.opens(token):
                # The token leaves the address line at once, so that it is in no history and no screenshot.
                return self._gate.enter(RedirectResponse("/", status_code=303), host)
        if path == "/enter" and self._gate.password:
            return await self._ask_password(scope, receive)
        if self._gate.is_open(headers):
            return None
        if path == "/" and self._gate.password:
            return RedirectResponse("/enter", status_code=303)
        return _no(401, "open the address that `voiceover serve` printed")

    async def _ask_password(self, scope: Scope, receive: Receive) -> Response:
        if scope["method"] != "POST":
            return HTMLResponse(PASSWORD_PAGE)
        body = b""
        while len(body) < 4096:
            message = await receive()
            body += message.get("body", b"")
            if not message.get("more_body"):
                break
        given = parse_qs(body.decode("utf-8", "replace")).get("password", [""])[0]
        if self._gate.opens_by_password(given):
            host = Headers(scope=scope).get("host", "")
            return self._gate.enter(RedirectResponse("/", status_code=303), host, secure=scope.get("scheme") == "https")
        return HTMLResponse(PASSWORD_PAGE, status_code=401)


PASSWORD_PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>Voiceover</title><main><h1>Voiceover</h1>'
    '<form method="post" action="/enter"><label>Password <input type="password" name="password" autofocus></label>'
    "<button>Open</button></form></main></html>"
)


def _takes_recordings(path: str) -> bool:
    return path == "/api/uploads" or (path.startswith("/api/recordings/") and path.endswith("/sound"))


def _no(status: int, detail: str) -> Response:
    return JSONResponse({"detail": detail}, status_code=status)
