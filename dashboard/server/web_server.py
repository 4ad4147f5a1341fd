"""uvicorn with the settings of this program: bounded, quiet, and telling when it starts and stops.

The pages are served by one uvicorn in this process, over a socket that is opened before anything
else starts.
"""

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

import uvicorn
from starlette.types import ASGIApp

from dashboard.server.bounded_http import ConnectionBounds, bounded_protocol
from dashboard.server.security_headers import STANDING_HEADERS
from logger.errors import InputError
from logger.memory import return_free_memory

__all__ = ["SHUTDOWN_TIMEOUT_S", "WebServer", "open_listener"]

SHUTDOWN_TIMEOUT_S: Final = 1
KEEP_ALIVE_S: Final = 5
"""How long a connection is kept that has been answered and sends nothing."""
MAX_WEBSOCKET_BYTES: Final = 65_536
PING_S: Final = 20
"""How often a websocket's client is asked for a sign of life, and how long it has to give it."""
BACKLOG: Final = 512
"""Connections that the system holds ready. Beyond it they are late by a second; with those that are
open they stay below the 1,024 file descriptors that a process usually has."""
MEMORY_PERIOD_S: Final = 2.0
"""How often free memory is returned to the system."""


class WebServer(uvicorn.Server):
    """A uvicorn that reports when it accepts connections, begins to stop and has stopped."""

    def __init__(
        self,
        application: ASGIApp,
        *,
        bounds: ConnectionBounds,
        started: Callable[[], None],
        stopping: Callable[[], None],
        stopped: Callable[[], None],
    ) -> None:
        """Make a server of an application.

        Parameters
        ----------
        bounds
            What clients may have of it.
        started, stopping, stopped
            Are called in its event loop; `stopped` on a worker thread.
        """
        super().__init__(
            uvicorn.Config(
                application,
                http=bounded_protocol(bounds),
                log_level="warning",
                access_log=False,
                backlog=BACKLOG,
                timeout_keep_alive=KEEP_ALIVE_S,
                timeout_graceful_shutdown=SHUTDOWN_TIMEOUT_S,
                ws_per_message_deflate=False,
                ws_max_size=MAX_WEBSOCKET_BYTES,
                ws_ping_interval=PING_S,
                ws_ping_timeout=PING_S,
                server_header=False,
                headers=list(STANDING_HEADERS),
                # Whom a proxy asks for is read where it counts (`access.session_middleware`).
                proxy_headers=False,
            )
        )
        self._say_started = started
        self._say_stopping = stopping
        self._say_stopped = stopped
        self._memory_task: asyncio.Task[None] | None = None

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to accept connections."""
        await super().startup(sockets=sockets)
        if self.started:
            self._memory_task = asyncio.create_task(_return_memory())
            self._say_started()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take the signals that end it, and end as asked: they are not raised again afterwards."""
        with super().capture_signals():
            yield
            # Else Ctrl-C would end the command with 130, and SIGTERM by the signal.
            self._captured_signals.clear()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End, open requests within `SHUTDOWN_TIMEOUT_S`."""
        # Set before it waits for open requests, so that long ones can end in that time.
        self._say_stopping()
        if self._memory_task is not None:
            self._memory_task.cancel()
        await super().shutdown(sockets=sockets)
        await asyncio.to_thread(self._say_stopped)


async def _return_memory() -> None:
    """Return free memory to the system again and again, until cancelled."""
    while True:
        await asyncio.sleep(MEMORY_PERIOD_S)
        await asyncio.to_thread(return_free_memory)


def open_listener(host: str, port: int) -> socket.socket:
    """Return a listening socket, opened before anything else starts.

    Raises
    ------
    InputError
        The port is in use or may not be used.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(BACKLOG)
    except (OSError, OverflowError) as fault:
        listener.close()
        reason = getattr(fault, "strerror", None) or str(fault)
        raise InputError(
            f"--port: {port} on {host} cannot be served on ({reason}); another program may be "
            "using it, or --host is no address of this machine. Choose another with --port, or "
            "--port 0 for any free one."
        ) from None
    return listener
