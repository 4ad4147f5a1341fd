"""Who may speak to the server: this machine's own pages, and nobody through a foreign one.

A page elsewhere can make a browser send requests here (rebinding a name to 127.0.0.1, or a
websocket across sites). So the Host header must name a loopback address, and where a browser names
an Origin it must be this server's own. Pure.
"""

from collections.abc import Mapping
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["LOOPBACK", "Guard", "GuardMiddleware"]

LOOPBACK: Final = frozenset({"127.0.0.1", "localhost", "::1"})


def _host_and_port(netloc: str) -> tuple[str, int | None] | None:
    try:
        parts = urlsplit(f"//{netloc}")
        port = parts.port
    except ValueError:
        return None
    return (parts.hostname or "", port)


class Guard:
    """The rule for one server on one port."""

    def __init__(self, *, port: int) -> None:
        self._port = port

    def knows_host(self, host: str) -> bool:
        """Return whether a Host header names this server."""
        found = _host_and_port(host)
        return found is not None and found[0] in LOOPBACK and found[1] in {self._port, None}

    def own_origin(self, origin: str) -> bool:
        """Return whether an Origin header names this server's own pages."""
        scheme, _, netloc = origin.partition("://")
        found = _host_and_port(netloc)
        return (
            scheme == "http"
            and found is not None
            and found[0] in LOOPBACK
            and (found[1] or 80) == self._port
        )

    def welcome(self, headers: Mapping[str, str]) -> bool:
        """Return whether a websocket or a change may come from a page with these headers."""
        return self.knows_host(headers.get("host", "")) and self.own_origin(
            headers.get("origin", "")
        )


class GuardMiddleware:
    """Turns away requests whose Host is foreign, and every change that a foreign page asks for."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self._app = app
        self._guard = guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or turn it away."""
        if scope["type"] == "http":
            headers = Headers(scope=scope)
            origin = headers.get("origin")
            known = self._guard.knows_host(headers.get("host", ""))
            foreign = origin is not None and not self._guard.own_origin(origin)
            if not known or (foreign and scope["method"] not in {"GET", "HEAD"}):
                refused = PlainTextResponse(
                    "This server answers its own pages on this machine only.\n", status_code=403
                )
                await refused(scope, receive, send)
                return

            async def sent(message: dict[str, object]) -> None:
                if message["type"] == "http.response.start":
                    kept = list(message.get("headers", []))  # type: ignore[call-overload]
                    kept += [
                        (b"x-content-type-options", b"nosniff"),
                        (b"x-frame-options", b"DENY"),
                        (b"referrer-policy", b"no-referrer"),
                    ]
                    message = {**message, "headers": kept}
                await send(message)

            await self._app(scope, receive, sent)  # type: ignore[arg-type]
            return
        await self._app(scope, receive, send)
