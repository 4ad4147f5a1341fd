"""The server of the pages: Dash on FastAPI, served by one uvicorn in this process.

`build_server` makes the application without opening a port; `serve_pages` runs it until it is
stopped. It serves this machine only, unless a password is set (`access`).
"""

import logging
import resource
import socket
import threading
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Final

from dash import Dash
from fastapi import FastAPI
from fastapi.responses import JSONResponse

from dashboard.access.login import add_login_routes
from dashboard.access.password import read_password
from dashboard.access.session_middleware import Access, SessionMiddleware
from dashboard.bus.routes import add_bus_routes
from dashboard.campaign.routes import add_campaign_routes
from dashboard.found_layout.routes import add_layout_routes
from dashboard.heat.duty_routes import add_duty_routes
from dashboard.heat.motion_routes import add_motion_routes
from dashboard.heat.routes import add_heat_routes
from dashboard.limits.routes import add_limits_routes
from dashboard.live.websocket import add_live_route
from dashboard.live.write_requests import add_write_request_route
from dashboard.measure.routes import add_measure_routes
from dashboard.pages import (
    bus,
    campaign,
    found_layout,
    heat,
    limits,
    live,
    measure,
    replay,
    sheet,
    shell,
)
from dashboard.replay.attachment_routes import add_attachment_routes
from dashboard.replay.cut_and_pack import add_cut_route, add_pack_route
from dashboard.replay.routes import add_replay_routes
from dashboard.server.body_limit import BodyLimit
from dashboard.server.bounded_http import ConnectionBounds
from dashboard.server.browser_modules import DASH_IGNORES, BrowserModules
from dashboard.server.dependencies import provide_services
from dashboard.server.error_answers import add_error_handlers, add_unknown_address_route
from dashboard.server.job_queue import JobQueue
from dashboard.server.network_address import TrustedProxies, is_loopback
from dashboard.server.origin_check import LOOPBACK, OriginMiddleware, OriginPolicy, is_origin
from dashboard.server.recording_cache import RecordingCache
from dashboard.server.security_headers import PolicyMiddleware, page_policy, source_digest
from dashboard.server.web_server import SHUTDOWN_TIMEOUT_S, WebServer, open_listener
from dashboard.sheet.routes import add_sheet_routes
from logger.errors import InputError, OutsideFault
from logger.memory import limit_heap_growth

__all__ = ["build_server", "serve_pages"]

log = logging.getLogger(__name__)

MIN_OPEN_FILES: Final = 64
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
            "/heat": heat.heat_layout,
            "/measure": measure.measure_layout,
            "/layout": found_layout.found_layout_page,
            "/sheet": sheet.sheet_layout,
            "/campaign": campaign.campaign_layout,
            "/bus": bus.bus_layout,
        },
    )
    modules.add_route(server)
    provide_services(server, recordings=cache, guard=guard)
    add_error_handlers(server)
    add_replay_routes(server)
    add_attachment_routes(server)
    add_bus_routes(server)
    add_limits_routes(server, cache, jobs=jobs, writes=not access.read_only)
    add_heat_routes(server, jobs=jobs)
    add_duty_routes(server, jobs=jobs)
    add_motion_routes(server)
    add_sheet_routes(server)
    add_campaign_routes(server, jobs=jobs)
    add_measure_routes(server, writes=not access.read_only)
    add_layout_routes(server, jobs=jobs)
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
    server.add_middleware(BodyLimit)
    server.add_middleware(SessionMiddleware, access=access)
    server.add_middleware(OriginMiddleware, policy=guard)
    # Dash lists its assets before the first request that it routes itself; a page address that is
    # the very first would be answered without any style or script.
    app._setup_server()  # type: ignore[no-untyped-call]
    inline_scripts = [source_digest(modules.import_map), *app.csp_hashes()]
    server.add_middleware(PolicyMiddleware, policy=page_policy(inline_scripts))
    return server


def serve_pages(
    *,
    recordings: Path,
    host: str = "127.0.0.1",
    port: int,
    password_file: Path | None = None,
    origin: str = "",
    trusted_proxies: Sequence[str] = (),
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
    trusted_proxies
        Addresses and networks of reverse proxies that say for whom they ask.
    read_only
        Nothing can be written from the pages: no note, no acknowledgement, no cut.
    open_at
        A recording, in this folder or not, to be opened in Replay.
    ready
        Is called once with the address of the pages, as soon as connections are accepted.

    Raises
    ------
    InputError
        The port is in use or may not be used, others would be served without a password, or a
        proxy's address is none.
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
    proxies = TrustedProxies(trusted_proxies)
    password = None if password_file is None else read_password(password_file)
    limit_heap_growth()
    listener = open_listener(host, port)
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
        access=Access(
            password=password,
            read_only=read_only,
            cookie=f"dutytrace-{bound}",
            proxies=proxies,
        ),
    )
    shown_host = (
        socket.gethostname() if host in _WILDCARD_HOSTS else f"[{host}]" if ":" in host else host
    )
    address = f"http://{shown_host}:{bound}/"
    if open_at is not None:
        address += f"replay/{open_at.name}"
    server = WebServer(
        application,
        bounds=ConnectionBounds(is_shared=lambda peer: is_loopback(peer) or peer in proxies),
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


def _host_names(host: str) -> list[str]:
    """Return this machine's host names."""
    host_name = socket.gethostname()
    return [host_name, f"{host_name.partition('.')[0]}.local", host]
