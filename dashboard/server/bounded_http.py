"""uvicorn's HTTP connection, bounded in number, in time and in length, before any password.

    431   the head of a request is longer than `max_head_bytes`
    408   a request has not arrived whole within `request_s`
    503   there are more connections than `max_connections`, or than one client may have

When connections run out, the oldest one gives way that waits for a request or for the rest of one:
so half requests keep nobody out. A request that is under way and a websocket stay. A client that
takes nothing of its answer for `stall_s` is cut off, and so is one that goes on sending.

What uvicorn has settings for is in `server.web_server`. Its `limit_concurrency` is not used: it
counts connections, but keeps half requests. How long a body may be is in `server.body_limit`.
"""

import asyncio
import itertools
import json
from asyncio import TimerHandle
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol

from dashboard.server.network_address import client_network, is_loopback

__all__ = ["ConnectionBounds", "bounded_protocol"]

LINGER_S: Final = 1.0
"""How long a refused client may go on sending: closed at once, its system may drop the answer."""
MAX_LINGERING: Final = 32
_turns = itertools.count()
"""Numbers the moments from which connections wait; the clock of an event loop ticks too slowly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectionBounds:
    """What clients may have of a server."""

    max_connections: int = 256
    max_connections_each: int = 64
    """Of one client: an IPv4 address, an IPv6 network. A browser has six, and one a Live page."""
    is_shared: Callable[[str], bool] = is_loopback
    """Whether many clients come from an address, as from a proxy: it may have all connections."""
    request_s: float = 20.0
    """From the opening of a connection, or the first byte of a request, to its last byte."""
    stall_s: float = 60.0
    max_head_bytes: int = 65_536
    """An address that holds limits has 30,000 characters, and may be in the Referer as well."""
    max_request_bytes: int = 4_000_000
    """Of a request in all. One that was refused for its length is read on so far, so that its
    client comes to read the answer."""


def bounded_protocol(bounds: ConnectionBounds) -> type[asyncio.Protocol]:
    """Return uvicorn's protocol class with these bounds, for its setting `http`."""
    return type("BoundedHttp", (_BoundedHttp,), {"bounds": bounds})


class _BoundedHttp(HttpToolsProtocol):
    bounds = ConnectionBounds()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._refused = False
        self._stall_timer: TimerHandle | None = None
        self._arrival_timer: TimerHandle | None = None
        self._begin_arrival()
        self._make_room()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel_timers()
        super().connection_lost(exc)

    # What arrives: from the first byte of a request to its last, `_arrival_timer` runs.

    def data_received(self, data: bytes) -> None:
        if self._refused or self.transport.is_closing():
            return
        self._begin_arrival()
        self._arrived_bytes += len(data)
        super().data_received(data)
        if self._arrival_timer is None:
            return
        if not self._head_arrived and self._arrived_bytes > self.bounds.max_head_bytes:
            self._refuse_head()
        elif self._arrived_bytes > self.bounds.max_request_bytes:
            self._refuse(413, f"The request is longer than {self.bounds.max_request_bytes} bytes.")

    def on_message_begin(self) -> None:
        self._begin_arrival()
        self._request_begun = True
        super().on_message_begin()

    def on_headers_complete(self) -> None:
        head = len(self.url) + sum(len(name) + len(value) + 4 for name, value in self.headers)
        if head > self.bounds.max_head_bytes:
            self._refuse_head()
        if not self._refused:
            self._head_arrived = True
            super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        if not self._refused:
            super().on_body(body)

    def on_message_complete(self) -> None:
        self._end_arrival()
        if not self._refused:
            super().on_message_complete()

    def send_400_response(self, msg: str) -> None:
        # What follows a request that was refused need not be one.
        if not self._refused:
            super().send_400_response(msg)

    def handle_websocket_upgrade(self) -> None:
        if not self._refused:
            self._cancel_timers()
            super().handle_websocket_upgrade()

    def _begin_arrival(self) -> None:
        if self._arrival_timer is None:
            self._request_begun = self._head_arrived = False
            self._arrived_bytes = 0
            self._turn = next(_turns)
            self._set_deadline()

    def _set_deadline(self) -> None:
        self._arrival_timer = self.loop.call_later(self.bounds.request_s, self._on_deadline)

    def _end_arrival(self) -> None:
        if self._arrival_timer is not None:
            self._arrival_timer.cancel()
            self._arrival_timer = None

    def _on_deadline(self) -> None:
        if self._is_answering:
            # The next request was begun before the answer to the last one: it has time until then.
            self._set_deadline()
        elif self._request_begun:
            seconds = f"{self.bounds.request_s:g} seconds"
            self._refuse(408, f"The request did not arrive whole within {seconds}.")
        else:
            # Browsers open connections in advance.
            self.transport.close()

    # What is sent.

    def on_response_complete(self) -> None:
        self._turn = next(_turns)
        super().on_response_complete()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._stall_timer = self.loop.call_later(self.bounds.stall_s, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._end_stall()

    def timeout_keep_alive_handler(self) -> None:
        # To close would wait for ever for a client that takes nothing.
        if self.transport.get_write_buffer_size():
            self.transport.abort()
        super().timeout_keep_alive_handler()

    def _end_stall(self) -> None:
        if self._stall_timer is not None:
            self._stall_timer.cancel()
            self._stall_timer = None

    def _cancel_timers(self) -> None:
        self._end_arrival()
        self._end_stall()

    # How many there are.

    @property
    def _is_answering(self) -> bool:
        """Whether a request has arrived whole and is not answered yet."""
        cycle = self.cycle
        return cycle is not None and not cycle.response_complete and not cycle.more_body

    def _make_room(self) -> None:
        """Where there are too many connections, close the one that waits longest, or this one."""
        others = [other for other in self.connections if other is not self and _is_alive(other)]
        client = _client_of(self)
        own = [other for other in others if _client_of(other) == client]
        is_shared = self.client is not None and self.bounds.is_shared(self.client[0])
        if not is_shared and len(own) >= self.bounds.max_connections_each:
            crowd, sentence = own, "Your machine has too many connections open to this server."
        elif len(others) >= self.bounds.max_connections:
            crowd, sentence = others, "Too many connections are open to this server."
        else:
            return
        waiting = [one for one in crowd if isinstance(one, _BoundedHttp) and not one._is_answering]
        if waiting:
            # Half requests first, the oldest of them; then what is kept alive between requests.
            first = min(waiting, key=lambda one: (one._arrival_timer is None, one._turn))
            first._give_way(sentence)
        else:
            self._refuse(503, f"{sentence} Try again in a moment.")

    def _give_way(self, sentence: str) -> None:
        if self._arrival_timer is not None and self._request_begun:
            self._refuse(503, f"{sentence} Send a request in one piece.")
        else:
            self.transport.abort()

    # How a request is refused that no route sees.

    def _refuse_head(self) -> None:
        longest = f"{self.bounds.max_head_bytes} bytes"
        self._refuse(431, f"Address and headers of the request are longer than {longest}.")

    @property
    def _can_answer(self) -> bool:
        """Whether the request that is arriving is not answered yet, and no other one is."""
        cycle = self.cycle
        if cycle is None or (cycle.response_complete and not self._head_arrived):
            return True
        return not cycle.response_started and cycle.more_body

    def _refuse(self, status: int, sentence: str) -> None:
        """Answer, unless an answer has begun, and close."""
        can_answer = self._can_answer and not self._refused
        self._refused = True
        self._cancel_timers()
        self._unset_keepalive_if_required()
        if self.cycle is not None and not self.cycle.response_complete:
            # For the route, whose answer nobody gets any more, the client has gone.
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        if not can_answer:
            self.transport.abort()
            return
        body = json.dumps({"fault": sentence}).encode()
        headers = [
            *self.server_state.default_headers,
            (b"content-type", b"application/json"),
            (b"content-length", str(len(body)).encode()),
            (b"connection", b"close"),
        ]
        lines = [b"%s: %s\r\n" % header for header in headers]
        self.transport.write(b"".join([STATUS_LINE[status], *lines, b"\r\n", body]))
        self.transport.write_eof()
        self._turn = next(_turns)
        self._stall_timer = self.loop.call_later(LINGER_S, self.transport.abort)
        lingering = [
            one for one in self.connections if isinstance(one, _BoundedHttp) and one._refused
        ]
        if len(lingering) > MAX_LINGERING:
            min(lingering, key=lambda one: one._turn).transport.abort()


def _is_alive(connection: Any) -> bool:  # noqa: ANN401 - one of uvicorn's protocols, HTTP or not
    return not connection.transport.is_closing() and not getattr(connection, "_refused", False)


def _client_of(connection: Any) -> str:  # noqa: ANN401 - likewise
    return client_network(connection.client[0]) if connection.client else ""
