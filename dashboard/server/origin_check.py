"""Which requests the server accepts: those of its own pages, none made by a foreign page.

A page elsewhere can make a browser send requests here (rebinding a name to this machine's address,
or a websocket across sites). So the Host header must name this server, and where a browser names an
Origin it must be this server's own. On a loopback address only loopback names do; served to others,
an address as such does too (a browser names one only where somebody typed it), the machine's own
names do, and the address that a reverse proxy shows. Pure.
"""

import ipaddress
from collections.abc import Collection, Mapping
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["LOOPBACK", "OriginMiddleware", "OriginPolicy", "host_of", "is_origin"]

LOOPBACK: Final = frozenset({"127.0.0.1", "localhost", "::1"})
_DEFAULT_PORTS: Final = {"http": 80, "https": 443}


def _host_and_port(netloc: str) -> tuple[str, int | None] | None:
    try:
        url = urlsplit(f"//{netloc}")
        port = url.port
    except ValueError:
        return None
    if url.netloc != netloc or "@" in netloc:
        return None
    return (url.hostname or "", port)


def host_of(netloc: str) -> str:
    """Return the name or address that a Host header gives, empty for nonsense."""
    parsed = _host_and_port(netloc)
    return parsed[0] if parsed is not None else ""


def _parse_origin(origin: str) -> tuple[str, str, int] | None:
    """Return scheme, host and port of an origin such as https://bench.lab, None if it is none."""
    scheme, _, netloc = origin.partition("://")
    parsed = _host_and_port(netloc)
    if scheme not in _DEFAULT_PORTS or parsed is None or not parsed[0]:
        return None
    return scheme, parsed[0], parsed[1] or _DEFAULT_PORTS[scheme]


def is_origin(text: str) -> bool:
    """Return whether a text is an address as a reverse proxy shows it: scheme, name, no path."""
    return _parse_origin(text) is not None


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


class OriginPolicy:
    """The rule for one server on one port."""

    def __init__(
        self,
        *,
        port: int,
        names: Collection[str] = (),
        to_others: bool = False,
        origin: str = "",
    ) -> None:
        """Make the rule.

        Parameters
        ----------
        names
            What this machine is called, beside its loopback names.
        to_others
            It is not served to this machine only.
        origin
            The address that a reverse proxy shows, such as https://bench.lab.
        """
        self._port = port
        self._names = LOOPBACK | {name.lower() for name in names}
        self._to_others = to_others
        self._origin = _parse_origin(origin) if origin else None

    def _is_known_name(self, host: str) -> bool:
        return host in self._names or (self._to_others and _is_address(host))

    def is_own_host(self, host: str) -> bool:
        """Return whether a Host header names this server."""
        parsed = _host_and_port(host)
        if parsed is None:
            return False
        if self._origin is not None and parsed[0] == self._origin[1]:
            return parsed[1] in {self._origin[2], self._port, None}
        return self._is_known_name(parsed[0]) and parsed[1] in {self._port, None}

    def is_own_origin(self, origin: str, host: str) -> bool:
        """Return whether an Origin header names the pages that a Host header asks for."""
        parsed = _parse_origin(origin)
        if parsed is None:
            return False
        if parsed == self._origin:
            return True
        scheme, name, port = parsed
        if scheme != "http" or port != self._port:
            return False
        requested_host = host_of(host)
        if requested_host in LOOPBACK:
            return name in LOOPBACK
        # Another machine's address is an address too: it must be the one that is asked.
        return self._is_known_name(name) and name == requested_host

    def allows(self, headers: Mapping[str, str]) -> bool:
        """Return whether a websocket or a change may come from a page with these headers."""
        host = headers.get("host", "")
        return self.is_own_host(host) and self.is_own_origin(headers.get("origin", ""), host)


class OriginMiddleware:
    """Turns away requests whose Host is foreign, and every change that a foreign page asks for.

    Every websocket has to be welcome, whichever route it is for.
    """

    def __init__(self, app: ASGIApp, policy: OriginPolicy) -> None:
        self._app = app
        self._policy = policy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or turn it away."""
        if scope["type"] == "http":
            headers = Headers(scope=scope)
            origin, host = headers.get("origin"), headers.get("host", "")
            foreign = origin is not None and not self._policy.is_own_origin(origin, host)
            if not self._policy.is_own_host(host) or (
                foreign and scope["method"] not in {"GET", "HEAD"}
            ):
                refused = PlainTextResponse(
                    "This server answers its own pages only, under its own address.\n",
                    status_code=403,
                )
                await refused(scope, receive, send)
                return

            async def sent(message: dict[str, object]) -> None:
                if message["type"] == "http.response.start":
                    headers_sent = list(message.get("headers", []))  # type: ignore[call-overload]
                    headers_sent += [
                        (b"x-content-type-options", b"nosniff"),
                        (b"x-frame-options", b"DENY"),
                        # With "no-referrer" a form of our own would be sent with Origin: null.
                        (b"referrer-policy", b"same-origin"),
                    ]
                    message = {**message, "headers": headers_sent}
                await send(message)

            await self._app(scope, receive, sent)  # type: ignore[arg-type]
            return
        if scope["type"] == "websocket" and not self._policy.allows(Headers(scope=scope)):
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return
        await self._app(scope, receive, send)
