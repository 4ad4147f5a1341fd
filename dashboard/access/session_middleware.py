"""Turns away every request and websocket without a session, and every change if read-only.

Stands behind `guard` and before every route, so that a route which is added later is behind it
without knowing of it. A page that was asked for leads to the login; anything else is refused. A
websocket ends with its session.
"""

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import quote

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.access.login_rate_limiter import Tries
from dashboard.access.password import Password
from dashboard.access.sessions import Sessions
from dashboard.limits.question import TRY_PATHS

__all__ = ["LOGIN_PATH", "LOGOUT_PATH", "SESSION_PATH", "Access", "GateMiddleware"]

LOGIN_PATH: Final = "/login"
LOGOUT_PATH: Final = "/logout"
SESSION_PATH: Final = "/session"
_OPEN: Final = frozenset({LOGIN_PATH, LOGOUT_PATH, SESSION_PATH, "/health"})
_READS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
_WRITES_NOTHING: Final = frozenset({LOGIN_PATH, LOGOUT_PATH, "/_dash-update-component"} | TRY_PATHS)
"""What is posted to without anything being written into a recording."""
_CLOSED_BY_RULE: Final = 1008


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Who may do what on one server. Without a password everybody whom `guard` lets through may."""

    password: Password | None = None
    read_only: bool = False
    cookie: str = "dutytrace"
    """Cookies know no port: one name for each, or two servers would end each other's sessions."""
    sessions: Sessions = field(default_factory=Sessions)
    tries: Tries = field(default_factory=Tries)
    clock: Callable[[], float] = time.monotonic

    def token_of(self, headers: Headers) -> str:
        """Return the token that a request brings, empty if it brings none."""
        # Forgiving: another program under the same name may set cookies that break the rules.
        return cookie_parser(headers.get("cookie", "")).get(self.cookie, "")

    def lets_in(self, token: str) -> bool:
        """Return whether a token's bearer may see the pages."""
        return self.password is None or self.sessions.holds(token, self.clock())


class GateMiddleware:
    """Asks `Access` about everything that reaches the server."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or turn it away."""
        if scope["type"] == "http":
            await self._http(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._websocket(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        path = str(scope["path"])
        headers = Headers(scope=scope)
        if path not in _OPEN and not self._access.lets_in(self._access.token_of(headers)):
            await _turned_away(scope, headers)(scope, receive, send)
            return
        changes = scope["method"] not in _READS and path not in _WRITES_NOTHING
        if self._access.read_only and changes:
            refused = _fault(403, "These pages are read-only: nothing can be written from here.")
            await refused(scope, receive, send)
            return
        await self._app(scope, receive, send)

    async def _websocket(self, scope: Scope, receive: Receive, send: Send) -> None:
        token = self._access.token_of(Headers(scope=scope))
        if not self._access.lets_in(token):
            # Closed before it is accepted: the browser is answered 403.
            await receive()
            await send({"type": "websocket.close", "code": _CLOSED_BY_RULE})
            return

        async def sent(message: Message) -> None:
            if message["type"] == "websocket.send" and not self._access.lets_in(token):
                await send({"type": "websocket.close", "code": _CLOSED_BY_RULE})
                raise RuntimeError("the session of this websocket has ended")
            await send(message)

        await self._app(scope, receive, sent)


def _turned_away(scope: Scope, headers: Headers) -> Response:
    page = scope["method"] in {"GET", "HEAD"} and "text/html" in headers.get("accept", "")
    if not page:
        return _fault(401, "Log in first: these pages ask for a password.")
    asked = scope.get("raw_path") or quote(scope["path"]).encode()
    if scope.get("query_string"):
        asked += b"?" + scope["query_string"]
    to = quote(asked.decode("latin-1"), safe="")
    return RedirectResponse(f"{LOGIN_PATH}?next={to}", status_code=303, headers=_NOT_KEPT)


_NOT_KEPT: Final = {"cache-control": "no-store"}


def _fault(status: int, sentence: str) -> Response:
    return Response(
        json.dumps({"fault": sentence}),
        status_code=status,
        media_type="application/json",
        headers=_NOT_KEPT,
    )
