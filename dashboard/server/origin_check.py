"""Which requests the server accepts: those of its own pages, none from pages of other servers.

A page of another server can make a browser send requests here (DNS rebinding, or a cross-site
websocket). So the Host header must name this server, and an Origin header must be its own. On a
loopback address only loopback names are accepted. If it is served to others, so are IP addresses
(DNS rebinding needs a name: a browser sends an address as Host only if that was opened), the names
of this machine, and the address that a reverse proxy shows. Pure.
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
    """Return the name or address in a Host header, empty if it is malformed."""
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
    """Return whether a text is an origin such as https://bench.lab: scheme, name, no path."""
    return _parse_origin(text) is not None


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


class OriginPolicy:
    """Which hosts and origins one server on one port accepts."""

    def __init__(
        self,
        *,
        port: int,
        names: Collection[str] = (),
        to_others: bool = False,
        origin: str = "",
    ) -> None:
        """Make the policy.

        Parameters
        ----------
        names
            Host names of this machine besides its loopback names.
        to_others
            Whether other machines are served, too.
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
        """Return whether an Origin header is that of the server that the Host header names."""
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
        # The address of another machine is an address, too: it must equal the Host.
        return self._is_known_name(name) and name == requested_host

    def allows(self, headers: Mapping[str, str]) -> bool:
        """Return whether a websocket or a change may come from a page with these headers."""
        host = headers.get("host", "")
        return self.is_own_host(host) and self.is_own_origin(headers.get("origin", ""), host)


class OriginMiddleware:
    """ASGI middleware that refuses foreign Hosts, and changes from foreign origins.

    Every websocket must have an allowed origin, on any route.
    """

    def __init__(self, app: ASGIApp, policy: OriginPolicy) -> None:
        self._app = app
        self._policy = policy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, or refuse it."""
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
        if scope["type"] == "websocket" and not self._policy.allows(Headers(scope=scope)):
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return
        await self._app(scope, receive, send)
