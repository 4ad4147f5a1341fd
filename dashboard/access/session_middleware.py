"""Refuses every request and websocket without a session, and every change if read-only.

Runs after `server.origin_check` and before every route, so that no route can be forgotten. A page
without a session redirects to the login; anything else is refused. A websocket ends with its
session.
"""

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import quote

from starlette.datastructures import Headers
from starlette.requests import Request, cookie_parser
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.access.login_rate_limiter import LoginRateLimiter
from dashboard.access.password import Password
from dashboard.access.sessions import Sessions
from dashboard.heat.motion_request import MOTION_PATH
from dashboard.limits.question import TRIAL_PATHS
from dashboard.server.network_address import TrustedProxies

__all__ = ["LOGIN_PATH", "LOGOUT_PATH", "SESSION_PATH", "Access", "SessionMiddleware"]

LOGIN_PATH: Final = "/login"
LOGOUT_PATH: Final = "/logout"
SESSION_PATH: Final = "/session"
_OPEN_PATHS: Final = frozenset({LOGIN_PATH, LOGOUT_PATH, SESSION_PATH, "/health"})
_READING_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
_HARMLESS_POSTS: Final = frozenset(
    {LOGIN_PATH, LOGOUT_PATH, MOTION_PATH, "/_dash-update-component"} | TRIAL_PATHS
)
"""Paths of POST requests that write nothing into a recording."""
_POLICY_VIOLATION: Final = 1008


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Who may do what on one server; without a password, everybody with an allowed origin."""

    password: Password | None = None
    read_only: bool = False
    cookie: str = "dutytrace"
    """Name of the cookie. Cookies are shared by all ports of a host: each server needs its own."""
    sessions: Sessions = field(default_factory=Sessions)
    login_limiter: LoginRateLimiter = field(default_factory=LoginRateLimiter)
    proxies: TrustedProxies = field(default_factory=TrustedProxies)
    clock: Callable[[], float] = time.monotonic

    def read_token(self, headers: Headers) -> str:
        """Return the session token of a request, empty if it has none."""
        # A lenient parser: another server on this host may set cookies that break the rules.
        return cookie_parser(headers.get("cookie", "")).get(self.cookie, "")

    def find_client(self, request: Request) -> str:
        """Return the address for which a request is made, empty if there is none."""
        peer = request.client.host if request.client else ""
        return self.proxies.find_client(peer, request.headers)

    def is_admitted(self, token: str) -> bool:
        """Return whether a request with this token may see the pages."""
        return self.password is None or self.sessions.is_valid(token, self.clock())


class SessionMiddleware:
    """ASGI middleware that checks every request and websocket against `Access`."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, or refuse it."""
        if scope["type"] == "http":
            await self._http(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._websocket(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        path = str(scope["path"])
        headers = Headers(scope=scope)
        if path not in _OPEN_PATHS and not self._access.is_admitted(
            self._access.read_token(headers)
        ):
            await _login_response(scope, headers)(scope, receive, send)
            return
        changes = scope["method"] not in _READING_METHODS and path not in _HARMLESS_POSTS
        if self._access.read_only and changes:
            refused = _refusal(403, "These pages are read-only: nothing can be written from here.")
            await refused(scope, receive, send)
            return
        await self._app(scope, receive, send)

    async def _websocket(self, scope: Scope, receive: Receive, send: Send) -> None:
        token = self._access.read_token(Headers(scope=scope))
        if not self._access.is_admitted(token):
            # Closed before it is accepted: the browser is answered 403.
            await receive()
            await send({"type": "websocket.close", "code": _POLICY_VIOLATION})
            return

        async def sent(message: Message) -> None:
            if message["type"] == "websocket.send" and not self._access.is_admitted(token):
                await send({"type": "websocket.close", "code": _POLICY_VIOLATION})
                raise RuntimeError("the session of this websocket has ended")
            await send(message)

        await self._app(scope, receive, sent)


def _login_response(scope: Scope, headers: Headers) -> Response:
    page = scope["method"] in {"GET", "HEAD"} and "text/html" in headers.get("accept", "")
    if not page:
        return _refusal(401, "Log in first: these pages ask for a password.")
    requested = scope.get("raw_path") or quote(scope["path"]).encode()
    if scope.get("query_string"):
        requested += b"?" + scope["query_string"]
    target = quote(requested.decode("latin-1"), safe="")
    return RedirectResponse(f"{LOGIN_PATH}?next={target}", status_code=303, headers=_NO_STORE)


_NO_STORE: Final = {"cache-control": "no-store"}


def _refusal(status: int, sentence: str) -> Response:
    return Response(
        json.dumps({"fault": sentence}),
        status_code=status,
        media_type="application/json",
        headers=_NO_STORE,
    )
