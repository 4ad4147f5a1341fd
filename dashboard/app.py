"""The server of the pages: Dash on FastAPI, served by one uvicorn in this process.

`build_server` makes the application without opening a port; `serve_pages` runs it until it is
stopped. It serves this machine only, unless a password is set (`access`).
"""

import asyncio
import logging
import resource
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Final

import uvicorn
from dash import Dash
from fastapi import FastAPI
from fastapi.responses import JSONResponse

from dashboard.access.login import add_login_routes
from dashboard.access.password import read_password
from dashboard.access.session_middleware import Access, SessionMiddleware
from dashboard.bus.routes import add_bus_routes
from dashboard.limits.job_queue import JobQueue
from dashboard.limits.routes import add_limits_routes
from dashboard.live.websocket import add_live_route
from dashboard.live.write_requests import add_write_request_route
from dashboard.pages import bus, limits, live, replay, shell
from dashboard.replay.cut_and_pack import add_cut_route, add_pack_route
from dashboard.replay.routes import add_replay_routes
from dashboard.server.browser_modules import DASH_IGNORES, BrowserModules
from dashboard.server.dependencies import provide_services
from dashboard.server.error_answers import add_error_handlers, add_unknown_address_route
from dashboard.server.origin_check import LOOPBACK, OriginMiddleware, OriginPolicy, is_origin
from dashboard.server.recording_cache import RecordingCache
from logger.errors import InputError, OutsideFault
from logger.memory import limit_heap_growth, return_free_memory

__all__ = ["build_server", "serve_pages"]

log = logging.getLogger(__name__)

MIN_OPEN_FILES: Final = 64
SHUTDOWN_TIMEOUT_S: Final = 1
MEMORY_PERIOD_S: Final = 2.0
"""How often free memory is returned to the system."""
_WILDCARD_HOSTS: Final = frozenset({"0.0.0.0", "::", ""})
_MODULES: Final = "<!-- modules -->"
_INDEX_HTML: Final = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" href="data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'%3E%3Cpath d='M1 12 5 9 9 10 15 3' fill='none' stroke='%230072B2' stroke-width='2.4'/%3E%3C/svg%3E">
{%css%}
<!-- modules -->
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


def build_server(
    cache: RecordingCache,
    *,
    guard: OriginPolicy,
    access: Access,
    stop: threading.Event,
    jobs: JobQueue,
) -> FastAPI:
    """Return the application for one recordings folder.

    `stop` ends a cut that is being made; `jobs` runs exact evaluations and sweeps.
    """
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    assets = Path(__file__).parent / "assets"
    modules = BrowserModules(assets)
    app = Dash(
        "dashboard",
        server=server,  # type: ignore[arg-type]  # a backend's server, as documented
        backend="fastapi",
        title="dutytrace",
        update_title="",
        serve_locally=True,
        assets_folder=str(assets),
        assets_ignore=DASH_IGNORES,
        index_string=_INDEX_HTML.replace(_MODULES, modules.head()),
        meta_tags=[
            {"name": "viewport", "content": "width=device-width, initial-scale=1"},
            {"name": "color-scheme", "content": "light dark"},
        ],
        suppress_callback_exceptions=True,
        enable_mcp=False,
    )
    app.layout = shell.shell_layout()
    shell.add_callbacks(
        app,
        {
            "/": partial(live.live_layout, writes=not access.read_only),
            "/replay": partial(replay.replay_layout, writes=not access.read_only),
            "/limits": partial(limits.limits_layout, writes=not access.read_only),
            "/bus": bus.bus_layout,
        },
    )
    modules.add_route(server)
    provide_services(server, recordings=cache, guard=guard)
    add_error_handlers(server)
    add_replay_routes(server)
    add_bus_routes(server)
    add_limits_routes(server, cache, jobs=jobs, writes=not access.read_only)
    add_live_route(server, cache, guard, writes=not access.read_only)
    if not access.read_only:
        add_write_request_route(server)
        add_cut_route(server, stop=stop)
    add_pack_route(server)
    add_login_routes(server, access)

    async def health() -> JSONResponse:
        return JSONResponse({"serves": "dutytrace"})

    server.add_api_route("/health", health, methods=["GET"], response_model=None)
    add_unknown_address_route(server)
    # The middleware that was added last runs first.
    server.add_middleware(SessionMiddleware, access=access)
    server.add_middleware(OriginMiddleware, policy=guard)
    # Dash lists its assets before the first request that it routes itself; a page address that is
    # the very first would be answered without any style or script.
    app._setup_server()  # type: ignore[no-untyped-call]
    return server


def serve_pages(
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
        The address to serve on; any but a loopback address requires a password.
    port
        0: any free one.
    password_file
        Holds the hash of the password; None: no password.
    origin
        The address that a reverse proxy shows, such as https://bench.lab; requires a password, too.
    read_only
        Nothing can be written from the pages: no note, no acknowledgement, no cut.
    open_at
        A recording, in this folder or not, to be opened in Replay.
    ready
        Is called once with the address of the pages, as soon as connections are accepted.

    Raises
    ------
    InputError
        The port is in use or may not be used, or others would be served without a password.
    OutsideFault
        The system allows too few open files.
    """
    _require_descriptors()
    to_others = host not in LOOPBACK
    if origin and not is_origin(origin):
        raise InputError(
            f"--origin: found {origin!r}, expected the address that the reverse proxy shows, "
            "such as https://bench.lab (without a path)."
        )
    if (to_others or origin) and password_file is None:
        option = f"--host {host}" if to_others else f"--origin {origin}"
        raise InputError(
            f"{option}: the pages would be served to others than this machine, which they are only "
            "with a password. Make a file with `dutytrace password FILE` and name it with "
            "--password-file FILE, or reach the pages through an SSH tunnel."
        )
    password = None if password_file is None else read_password(password_file)
    limit_heap_growth()
    listener = _open_listener(host, port)
    bound = int(listener.getsockname()[1])
    cache = RecordingCache(recordings, extra_path=open_at)
    names = _host_names(host) if to_others else []
    stop = threading.Event()
    jobs = JobQueue(stop)
    application = build_server(
        cache,
        stop=stop,
        jobs=jobs,
        guard=OriginPolicy(port=bound, names=names, to_others=to_others, origin=origin),
        access=Access(password=password, read_only=read_only, cookie=f"dutytrace-{bound}"),
    )
    shown_host = (
        socket.gethostname() if host in _WILDCARD_HOSTS else f"[{host}]" if ":" in host else host
    )
    address = f"http://{shown_host}:{bound}/"
    if open_at is not None:
        address += f"replay/{open_at.name}"
    server = _Server(
        uvicorn.Config(
            application,
            log_level="warning",
            access_log=False,
            ws_per_message_deflate=False,
            ws_max_size=65536,
            timeout_graceful_shutdown=SHUTDOWN_TIMEOUT_S,
            server_header=False,
            # Tries of a password count for the address that connects, not for one in a header.
            proxy_headers=False,
        ),
        started=lambda: ready(address) if ready is not None else None,
        stopping=stop.set,
        stopped=partial(jobs.close, SHUTDOWN_TIMEOUT_S),
    )
    with listener:
        server.run(sockets=[listener])


def _require_descriptors() -> None:
    allowed, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if 0 <= allowed < MIN_OPEN_FILES:
        raise OutsideFault(
            f"Found a limit of {allowed} open files, expected at least {MIN_OPEN_FILES}: each page "
            f"and each recording takes some. Raise it with `ulimit -n {MIN_OPEN_FILES}` or more."
        )


class _Server(uvicorn.Server):
    """A uvicorn that reports when it accepts connections, begins to stop and has stopped."""

    def __init__(
        self,
        config: uvicorn.Config,
        *,
        started: Callable[[], None],
        stopping: Callable[[], None],
        stopped: Callable[[], None],
    ) -> None:
        super().__init__(config)
        self._say_started = started
        self._say_stopping = stopping
        self._say_stopped = stopped
        self._memory_task: asyncio.Task[None] | None = None

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
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


def _host_names(host: str) -> list[str]:
    """Return this machine's host names."""
    host_name = socket.gethostname()
    return [host_name, f"{host_name.partition('.')[0]}.local", host]


def _open_listener(host: str, port: int) -> socket.socket:
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
        listener.listen(64)
    except (OSError, OverflowError) as fault:
        listener.close()
        reason = getattr(fault, "strerror", None) or str(fault)
        raise InputError(
            f"--port: {port} on {host} cannot be served on ({reason}); another program may be "
            "using it, or --host is no address of this machine. Choose another with --port, or "
            "--port 0 for any free one."
        ) from None
    return listener
