"""The server of the pages: Dash on FastAPI, served by one uvicorn in this process.

`build` makes the application without opening a port; `serve` runs it until it is stopped. Serves
this machine only: nothing here asks for a password yet.
"""

import logging
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Final

import uvicorn
from dash import Dash
from fastapi import FastAPI
from fastapi.responses import JSONResponse

from dashboard.asks import add_ask_route
from dashboard.guard import LOOPBACK, Guard, GuardMiddleware
from dashboard.heard_views import add_heard_routes
from dashboard.pages import bus, frame, live, replay
from dashboard.shelf import Shelf
from dashboard.stream import add_live_route
from dashboard.views import add_view_routes
from logger.errors import InputError

__all__ = ["build", "serve"]

log = logging.getLogger(__name__)

STOP_WITHIN_S: Final = 1
_INDEX: Final = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" href="data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'%3E%3Cpath d='M1 12 5 9 9 10 15 3' fill='none' stroke='%230072B2' stroke-width='2.4'/%3E%3C/svg%3E">
{%css%}
</head>
<body>
{%app_entry%}
<noscript>These pages draw in the browser: they need JavaScript.</noscript>
<footer hidden>
{%config%}
{%scripts%}
{%renderer%}
</footer>
</body>
</html>"""  # noqa: E501 - one line of HTML


def build(shelf: Shelf, *, port: int) -> FastAPI:
    """Return the application for one recordings folder on one port."""
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    guard = Guard(port=port)
    app = Dash(
        "dashboard",
        server=server,  # type: ignore[arg-type]  # a backend's server, as documented
        backend="fastapi",
        title="dutytrace",
        update_title="",
        serve_locally=True,
        assets_folder=str(Path(__file__).parent / "assets"),
        index_string=_INDEX,
        meta_tags=[
            {"name": "viewport", "content": "width=device-width, initial-scale=1"},
            {"name": "color-scheme", "content": "light dark"},
        ],
        suppress_callback_exceptions=True,
        enable_mcp=False,
    )
    app.layout = frame.layout()
    frame.add_callbacks(app, {"/": live.layout, "/replay": replay.layout, "/bus": bus.layout})
    add_view_routes(server, shelf)
    add_heard_routes(server, shelf)
    add_live_route(server, shelf, guard)
    add_ask_route(server, shelf, guard)

    async def health() -> JSONResponse:
        return JSONResponse({"serves": "dutytrace"})

    server.add_api_route("/health", health, methods=["GET"], response_model=None)
    server.add_middleware(GuardMiddleware, guard=guard)
    # Dash lists its assets before the first request that it routes itself; a page address that is
    # the very first would be answered without any style or script.
    app._setup_server()  # type: ignore[no-untyped-call]
    return server


def serve(
    *,
    recordings: Path,
    host: str = "127.0.0.1",
    port: int,
    open_at: Path | None = None,
    ready: Callable[[str], None] | None = None,
) -> None:
    """Serve the pages until SIGINT or SIGTERM.

    Parameters
    ----------
    recordings
        The folder whose recordings are shown; it need not exist yet.
    host
        A loopback address.
    port
        0: any free one.
    open_at
        A recording to be opened in Replay, from anywhere.
    ready
        Called once with the pages' address as soon as connections are accepted.

    Raises
    ------
    InputError
        The port is in use or may not be used, or the host is not this machine's own.
    """
    if host not in LOOPBACK:
        raise InputError(
            f"--host: found {host!r}, expected 127.0.0.1, localhost or ::1. These pages have no "
            "password yet, so they are served to this machine only; reach them from elsewhere "
            "through an SSH tunnel."
        )
    listener = _listener(host, port)
    bound = int(listener.getsockname()[1])
    shelf = Shelf(recordings, beside=open_at)
    application = build(shelf, port=bound)
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{bound}/"
    if open_at is not None:
        address += f"replay/{open_at.name}"
    server = _Server(
        uvicorn.Config(
            application,
            log_level="warning",
            access_log=False,
            ws_per_message_deflate=False,
            ws_max_size=65536,
            timeout_graceful_shutdown=STOP_WITHIN_S,
            server_header=False,
        ),
        started=lambda: ready(address) if ready is not None else None,
    )
    with listener:
        server.run(sockets=[listener])


class _Server(uvicorn.Server):
    """A uvicorn that says when it accepts connections."""

    def __init__(self, config: uvicorn.Config, *, started: Callable[[], None]) -> None:
        super().__init__(config)
        self._say_started = started

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        if self.started:
            self._say_started()


def _listener(host: str, port: int) -> socket.socket:
    """Return a listening socket, or say why there is none before anything else starts."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(64)
    except (OSError, OverflowError) as fault:
        listener.close()
        why = getattr(fault, "strerror", None) or str(fault)
        raise InputError(
            f"--port: {port} on {host} cannot be served on ({why}); another program may be using "
            "it. Choose another with --port, or --port 0 for any free one."
        ) from None
    return listener
