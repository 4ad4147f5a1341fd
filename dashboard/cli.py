"""The commands that show: dashboard, password, replay, and the curve of a limit as a drawing.

As in `logger.cli`: parse, call one function, show what it returned. Heavy imports stand inside.
"""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import DEFAULT_RECORDINGS, AsJson, Duration, Recording, Recordings
from logger.cli.terminal import Line, Table, say, show
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.limits.curve_table import CurveTable

__all__ = ["replay_recording", "serve_dashboard", "tabulate_curve", "write_password_hash"]

Port = Annotated[int, typer.Option(help="Port of the pages; 0 takes a free one.", min=0, max=65535)]
_TAU_S = 600.0


def serve_dashboard(
    recordings: Recordings = DEFAULT_RECORDINGS,
    port: Port = 8050,
    host: Annotated[
        str, typer.Option(help="Address to serve on; any but this machine's own needs a password.")
    ] = "127.0.0.1",
    password_file: Annotated[
        Path | None, typer.Option(help="Ask for the password whose hash is in this file.")
    ] = None,
    origin: Annotated[
        str, typer.Option(help="Address that a reverse proxy shows, such as https://bench.lab.")
    ] = "",
    trusted_proxy: Annotated[
        list[str] | None,
        typer.Option(
            help="Address or network of the reverse proxy, which then says who asks: tries of the "
            "password count for each client. May be given several times."
        ),
    ] = None,
    read_only: Annotated[
        bool, typer.Option("--read-only", help="Only show: no notes, nothing acknowledged.")
    ] = False,
) -> None:
    """Serve the pages over a recordings folder, live and past."""
    from dashboard.app import serve_pages

    serve_pages(
        recordings=recordings,
        host=host,
        port=port,
        password_file=password_file,
        origin=origin,
        trusted_proxies=trusted_proxy or (),
        read_only=read_only,
        open_at=None,
        ready=_say_address,
    )


def write_password_hash(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where its hash is written.")],
) -> None:
    """Write the hash of a password that is typed, for `dashboard --password-file`."""
    from getpass import getpass

    from dashboard.access.password import write_password

    # Typed or piped in, never an option: those are seen in the list of processes.
    if sys.stdin.isatty():
        typed = getpass("Password: ")
        if getpass("Once more: ") != typed:
            raise InputError("password: the two that were typed differ; nothing was written.")
    else:
        typed = sys.stdin.readline().rstrip("\r\n")
    write_password(file, typed)
    say(f"Its hash is in {file}; restart `dutytrace dashboard --password-file {file}`.")


def replay_recording(
    recording: Recording,
    limits: Annotated[
        Path | None,
        typer.Option(help="Show what other limits would have raised, in place of what was."),
    ] = None,
    port: Port = 8050,
    browser: Annotated[bool, typer.Option(help="Open the page in a browser.")] = True,
) -> None:
    """Serve the pages, opened at one recording."""
    from logger.store.layout.files import real_path
    from logger.store.layout.manifest import read_manifest

    manifest = read_manifest(recording)
    query = ""
    if limits is not None:
        from dashboard.replay.limits_token import encode_token
        from logger.limits.limit import check_for_bench, read_limits

        chosen = read_limits(limits)
        check_for_bench(chosen, manifest.read_bench(str(recording)), str(limits))
        query = f"?judged={encode_token(chosen.text)}"
    from dashboard.app import serve_pages

    def on_ready(address: str) -> None:
        _say_address(address + query)
        if browser:
            import webbrowser

            webbrowser.open(address + query)

    path = real_path(recording)
    serve_pages(recordings=path.parent, host="127.0.0.1", port=port, open_at=path, ready=on_ready)


def tabulate_curve(
    curve: Annotated[
        str,
        typer.Argument(
            metavar="CURVE", help="A to F (IEC 60255-151), thermal; with --limits a limit's name."
        ),
    ],
    limits: Annotated[
        Path | None, typer.Option(help="Take the curve of a limit of this file.")
    ] = None,
    setting: Annotated[
        float, typer.Option(help="Current of the setting; of a thermal image the basic current.")
    ] = 1.0,
    tms: Annotated[float, typer.Option(help="Time multiplier of A to F.")] = 1.0,
    k: Annotated[float, typer.Option("--k", help="Thermal: k times the basic is carried.")] = 1.05,
    tau_s: Annotated[
        float,
        Duration().option("--tau", help="Thermal: the time constant.", default="10min"),
    ] = _TAU_S,
    preload: Annotated[float, typer.Option(help="Thermal: a long current before.")] = 0.0,
    unit: Annotated[str, typer.Option(help="What currents are in, for the words.")] = "A",
    html: Annotated[Path | None, typer.Option(help="Draw it into this file.")] = None,
    as_json: AsJson = False,
) -> None:
    """Tabulate, and draw, how long a current may last, to compare it with a handbook."""
    from logger.limits.curve_table import CurveSettings, curve_table, limit_curve_settings
    from logger.limits.limit import read_limits

    if limits is not None:
        if (setting, tms, k, tau_s) != (1.0, 1.0, 1.05, _TAU_S):
            raise InputError(
                "--limits: found it together with --setting, --tms, --k or --tau, which the limit "
                "has itself."
            )
        settings, unit = limit_curve_settings(read_limits(limits), curve, preload=preload)
    else:
        settings = CurveSettings(
            curve=curve, setting=setting, tms=tms, k=k, tau_s=tau_s, preload=preload
        )
    table = curve_table(settings)
    if html is not None:
        from dashboard.figures.curve import curve_figure

        figure = curve_figure(*table.points_to_draw(), title=table.title, unit=unit)
        html.write_text(figure.to_html(include_plotlyjs=True), encoding="utf-8")
    show({"curve": curve, **table.to_json()}, _curve_lines(table, unit, html), as_json=as_json)


def _curve_lines(table: "CurveTable", unit: str, html: Path | None) -> Iterator[Line]:
    yield table.title
    yield Table(
        ("multiple", f"current, {unit}", "time, s"),
        [
            (
                f"{one.multiple:g}",
                f"{one.current:.6g}",
                "for ever" if one.time_s is None else f"{one.time_s:.9g}",
            )
            for one in table.rows
        ],
        indent=2,
    )
    if html is not None:
        yield f"{html}: drawn."


def _say_address(address: str) -> None:
    say(f"The pages are at {address}")
