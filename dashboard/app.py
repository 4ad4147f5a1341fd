"""The server of the pages: Dash on FastAPI, served by one uvicorn in this process.

`build` makes the application without opening a port; `serve` runs it until it is stopped. Serves
this machine only, unless a password is asked for: `access` holds who is let in.
"""

import asyncio
import logging
import socket
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final

import uvicorn
from dash import Dash
from fastapi import FastAPI
from fastapi.responses import JSONResponse

from dashboard.access.login import add_login_routes
from dashboard.access.password import read_password
from dashboard.access.session_middleware import Access, GateMiddleware
from dashboard.bus.routes import add_heard_routes
from dashboard.limits.routes import add_judging_routes
from dashboard.live.websocket import add_live_route
from dashboard.live.write_requests import add_ask_route
from dashboard.pages import bus, limits, live, replay, shell
from dashboard.replay.cut_and_pack import add_cut_route, add_pack_route
from dashboard.replay.routes import add_view_routes
from dashboard.server.memory import keep_few_heaps, keep_giving_back
from dashboard.server.origin_check import LOOPBACK, Guard, GuardMiddleware, is_origin
from dashboard.server.recording_cache import Shelf
from logger.errors import InputError

__all__ = ["build", "serve"]

log = logging.getLogger(__name__)

STOP_WITHIN_S: Final = 1
_EVERYWHERE: Final = frozenset({"0.0.0.0", "::", ""})
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


def build(
    shelf: Shelf, *, guard: Guard, access: Access, stop: threading.Event | None = None
) -> FastAPI:
    """Return the application for one recordings folder; `stop` ends what it does for long."""
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
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
    app.layout = shell.layout()
    shell.add_callbacks(
        app,
        {
            "/": partial(live.layout, writes=not access.read_only),
            "/replay": partial(replay.layout, writes=not access.read_only),
            "/limits": partial(limits.layout, writes=not access.read_only),
            "/bus": bus.layout,
        },
    )
    add_view_routes(server, shelf)
    add_heard_routes(server, shelf)
    stop = stop or threading.Event()
    add_judging_routes(server, shelf, guard, stop=stop, writes=not access.read_only)
    add_live_route(server, shelf, guard, writes=not access.read_only)
    if not access.read_only:
        add_ask_route(server, shelf, guard)
        add_cut_route(server, shelf, guard, stop=stop)
    add_pack_route(server, shelf)
    add_login_routes(server, access)

    async def health() -> JSONResponse:
        return JSONResponse({"serves": "dutytrace"})

    server.add_api_route("/health", health, methods=["GET"], response_model=None)
    # The one that was added last is asked first.
    server.add_middleware(GateMiddleware, access=access)
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
    password_file: Path | None = None,
    origin: str = "",
    read_only: bool = False,
    open_at: Path | None = None,
    ready: Callable[[str], None] | None = None,
) -> None:
    """Serve the pages until SIGINT or SIGTERM.

    Parameters
    ----------
    recordings
        The folder whose recordings are shown; it need not exist yet.
    host
        The address to serve on; any but a loopback one demands a password.
    port
        0: any free one.
    password_file
        Holds the hash of the password that is asked for.
    origin
        The address that a reverse proxy shows, such as https://bench.lab; demands a password too.
    read_only
        Nothing can be written from the pages: no note, no acknowledgement, no cut.
    open_at
        A recording to be opened in Replay, from anywhere.
    ready
        Called once with the pages' address as soon as connections are accepted.

    Raises
    ------
    InputError
        The port is in use or may not be used, or others would be served without a password.
    """
    to_others = host not in LOOPBACK
    if origin and not is_origin(origin):
        raise InputError(
            f"--origin: found {origin!r}, expected the address that the reverse proxy shows, "
            "such as https://bench.lab (no path behind it)."
        )
    if (to_others or origin) and password_file is None:
        option = f"--host {host}" if to_others else f"--origin {origin}"
        raise InputError(
            f"{option}: the pages would be served to others than this machine, which they are only "
            "with a password. Make a file with `dutytrace password FILE` and name it with "
            "--password-file FILE, or reach the pages through an SSH tunnel."
        )
    password = None if password_file is None else read_password(password_file)
    keep_few_heaps()
    listener = _listener(host, port)
    bound = int(listener.getsockname()[1])
    shelf = Shelf(recordings, beside=open_at)
    names = _names(host) if to_others else []
    stop = threading.Event()
    application = build(
        shelf,
        stop=stop,
        guard=Guard(port=bound, names=names, to_others=to_others, origin=origin),
        access=Access(password=password, read_only=read_only, cookie=f"dutytrace-{bound}"),
    )
    shown = socket.gethostname() if host in _EVERYWHERE else f"[{host}]" if ":" in host else host
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
            # Whoever connects is who tries a password, not whom a header names.
            proxy_headers=False,
        ),
        started=lambda: ready(address) if ready is not None else None,
        stopping=stop.set,
    )
    with listener:
        server.run(sockets=[listener])


class _Server(uvicorn.Server):
    """A uvicorn that says when it accepts connections, and when it begins to end."""

    def __init__(
        self,
        config: uvicorn.Config,
        *,
        started: Callable[[], None],
        stopping: Callable[[], None],
    ) -> None:
        super().__init__(config)
        self._say_started = started
        self._say_stopping = stopping
        self._giving: asyncio.Task[None] | None = None

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        if self.started:
            self._giving = asyncio.create_task(keep_giving_back())
            self._say_started()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        # Before it waits for requests: one that takes long ends itself within that time.
        self._say_stopping()
        if self._giving is not None:
            self._giving.cancel()
        await super().shutdown(sockets=sockets)


def _names(host: str) -> list[str]:
    """Return what this machine is called by others, beside its addresses."""
    own = socket.gethostname()
    return [own, f"{own.partition('.')[0]}.local", host]


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
            "it, or --host is no address of this machine. Choose another with --port, or --port 0 "
            "for any free one."
        ) from None
    return listener
