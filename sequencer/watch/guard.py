"""What stands before every page: only reading, only under a name of this server, only for whoever may, and nothing from elsewhere."""

from __future__ import annotations

import ipaddress
import logging
from collections.abc import Callable, Iterable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sequencer.frozen import dataclass
from sequencer.watch.tokens import TokenFile

SIGN_IN = "/sign-in"
_OPEN = (SIGN_IN, "/static/")
"""What is served to whoever has shown no token."""
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'self'"
)
DRAWING_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
"""Of a drawing, which carries its own style and is shown as a picture."""
HEADERS = (
    ("content-security-policy", _POLICY),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("x-frame-options", "DENY"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("permissions-policy", "camera=(), microphone=(), geolocation=()"),
    ("cache-control", "no-store"),
)
_log = logging.getLogger("sequencer.watch")
Problem = Callable[[Request, int, str, str], Response]


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Who is let in: by which names this server is called, and the token; None for everybody, on this machine only."""

    names: frozenset[str]
    any_address: bool = False
    token: TokenFile | None = None
    secure: bool = False

    @property
    def cookie_name(self) -> str:
        """What the cookie is called; over TLS a browser sees to it that no other host has set it (RFC 6265bis, 4.1.3)."""
        return "__Host-watch" if self.secure else "watch"

    def is_named(self, host: str) -> bool:
        """Say whether a Host header names this server: a page elsewhere whose name leads here (DNS rebinding) names itself."""
        name, colon, port = host.rpartition(":") if not host.endswith("]") and ":" in host else (host, "", "")
        if colon and not (port.isascii() and (port.isdigit() or not port)):
            return False
        name = name.strip("[]").lower().rstrip(".")
        if name in self.names:
            return True
        try:
            found = ipaddress.ip_address(name)
        except ValueError:
            return False
        return found.is_loopback or self.any_address

    def is_let_in(self, cookies: str) -> bool:
        """Say whether whoever sends these cookies may read."""
        if self.token is None:
            return True
        try:
            found = SimpleCookie(cookies).get(self.cookie_name)
        except CookieError:
            return False
        return found is not None and self.token.is_cookie(found.value)


def names_of(*names: str) -> frozenset[str]:
    """Return names as a Host header is held against them."""
    return frozenset(name.lower().rstrip(".") for name in ("localhost", *names) if name)


class Guard:
    """Lets a request through to the pages, or answers it; ``problem`` makes a page that says in words what was wrong."""

    def __init__(self, app: ASGIApp, *, access: Access, problem: Problem) -> None:
        self._app = app
        self._access = access
        self._problem = problem

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        request = Request(scope, receive)
        refused = self._refused(request)
        sending = _with_headers(send)
        if refused is not None:
            await refused(scope, receive, sending)
            return
        begun = False

        async def watched(message: Message) -> None:
            nonlocal begun
            begun = begun or message["type"] == "http.response.start"
            await sending(message)

        try:
            await self._app(scope, receive, watched)
        except Exception:
            _log.exception("a page could not be made: %s", _asked(request)[:200])
            if begun:
                raise
            said = "This page could not be made: that is a defect of the sequencer. Its log says where."
            await self._problem(request, 500, said, "")(scope, receive, sending)

    def _refused(self, request: Request) -> Response | None:
        """Return the answer to a request that is not let through; None for one that is."""
        if not self._access.is_named(request.headers.get("host", "")):
            said = "This server is not called by that name."
            return self._problem(
                request, 421, said, "the name or address that it was started with ('--name' adds one)"
            )
        path = _asked(request)
        allowed = ("GET", "HEAD", "POST") if path == SIGN_IN else ("GET", "HEAD")
        if request.method not in allowed:
            said = "These pages are for reading only: nothing can be sent to them."
            answer = self._problem(request, 405, said, " and ".join(allowed))
            answer.headers["allow"] = ", ".join(allowed)
            return answer
        if _is_one_of(path, _OPEN) or self._access.is_let_in(request.headers.get("cookie", "")):
            return None
        if path == "/events":
            return Response(status_code=401)
        query = request.scope.get("query_string", b"").decode("latin-1")
        asked = path + (f"?{query}" if query else "")
        return RedirectResponse(f"{SIGN_IN}?next={quote(asked, safe='')}", status_code=303)


def _asked(request: Request) -> str:
    """Return the path that is served: not ``request.url``'s, which is put together from what the Host header says (PYSEC-2026-161)."""
    return str(request.scope["path"])


def _is_one_of(path: str, beginnings: Iterable[str]) -> bool:
    return any(path == one or (one.endswith("/") and path.startswith(one)) for one in beginnings)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name.lower() for name, _ in message["headers"]}
            more = [(name.encode(), text.encode()) for name, text in HEADERS if name.encode() not in there]
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return sending
