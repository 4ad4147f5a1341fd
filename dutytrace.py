"""The front door: one short function a command, no logic.

Parses, builds settings, calls one function, prints. Heavy imports stand inside the commands, so
that `--help` answers at once. Only this file prints results and exits.
"""

import contextlib
import gc
import json
import math
import queue
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.cli.aligned import format_table
from logger.errors import DutytraceError, InputError
from logger.event_kind import EventKind
from logger.store.layout.remote import location_of

if TYPE_CHECKING:
    from logger.bus.listen import BusCapture
    from logger.importing.import_frames import ImportResult
    from logger.joint.explain.explain import Explained
    from logger.layout_tools.preview import Preview
    from logger.notify.notifier import Notifier
    from logger.store.layout.events import Event
    from logger.store.tools.cut import CutResult

app = typer.Typer(
    help="Records, shows, alerts on and replays what robot joints report over CAN.",
    epilog="A joint on a bench can strike, crush and burn. This program is no safety function.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

layout_app = typer.Typer(
    help="Write a layout: from a bus description file, or tried on real traffic at each save.",
    no_args_is_help=True,
)
app.add_typer(layout_app, name="layout")
limits_app = typer.Typer(help="Look at what limits mean.", no_args_is_help=True)
app.add_typer(limits_app, name="limits")


def _here(path: Path | None) -> Path | None:
    """Refuse an address where a folder is meant: as a path it would be one named `s3:`."""
    if path is not None and re.match(r"[a-z][a-z0-9+.-]+:/", str(path)) and not path.exists():
        typed = str(path).replace(":/", "://", 1)
        raise InputError(
            f"{typed}: found an address, expected a folder here. From an address recordings are "
            "read by `dutytrace check`, `excursions` and `tune`."
        )
    return path


Recordings = Annotated[
    Path,
    typer.Option(
        "--recordings",
        help="Folder that holds the recordings.",
        show_default=True,
        callback=_here,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]
Recording = Annotated[
    Path, typer.Argument(metavar="REC", help="A recording folder.", callback=_here)
]
Anywhere = Annotated[
    str,
    typer.Argument(
        metavar="REC", help="A recording folder, or the address of a finished one (s3://...)."
    ),
]
Port = Annotated[int, typer.Option(help="Port of the pages; 0 takes a free one.", min=0, max=65535)]
DEFAULT_RECORDINGS = Path("recordings")
ONCE_S = 2.0
"""How long `layout try --once` listens to a bus."""
LINES_S = 1.0
"""How often what goes on is printed where it cannot be shown in place."""


@app.command()
def demo(
    recordings: Recordings = DEFAULT_RECORDINGS,
    port: Port = 8050,
    seed: Annotated[int, typer.Option(help="Chooses payloads and noise.", min=0)] = 1,
    browser: Annotated[bool, typer.Option(help="Open the pages in a browser.")] = True,
) -> None:
    """Show two simulated joints, recorded over a real byte path."""
    from logger.simulate.demo import DemoSettings
    from logger.simulate.demo import supervise_demo as run

    settings = DemoSettings(recordings=recordings, port=port, browser=browser, seed=seed)
    run(settings, stop=_stop_on_signals(), report_line=_say)


@app.command()
def simulate(
    hours: Annotated[float, typer.Option(help="Length of the test in simulated time.")] = 6.0,
    seed: Annotated[int, typer.Option(help="Chooses payloads and noise.", min=0)] = 1,
    rate: Annotated[float, typer.Option(help="Motion frames a second of each joint.")] = 100.0,
    out: Annotated[
        Path | None, typer.Option(help="The new recording folder.", callback=_here)
    ] = None,
    name: Annotated[str, typer.Option(help="What the test is called.")] = "Simulated endurance",
    recordings: Recordings = DEFAULT_RECORDINGS,
) -> None:
    """Make a long test offline, in simulated time."""
    from logger.importing.import_frames import import_frames
    from logger.limits.limit import parse_limits
    from logger.simulate import scenario
    from logger.simulate.offline import simulate_frames

    if not math.isfinite(hours * 3600e9):
        raise InputError(f"--hours: found {hours}, expected a number of hours.")
    length_ns = round(hours * 3600e9)
    start_ns = (time.time_ns() - length_ns) // 1_000_000_000 * 1_000_000_000
    made = simulate_frames(hours=hours, rate_Hz=rate, seed=seed, start_ns=start_ns)
    path = out or recordings / _folder_name(start_ns, name)
    with _progress(f"Simulating {hours:g} h", length_ns) as at:
        import_frames(
            made,
            bench=scenario.scenario_bench(channel="simulated", rate_Hz=rate),
            limits=parse_limits(scenario.scenario_limits_text(), "limits.toml (simulated)"),
            out=path,
            name=name,
            start_ns=start_ns,
            end_ns=start_ns + length_ns,
            simulated=True,
            progress=lambda time_ns: at(time_ns - start_ns),
            stop=_stop_on_signals(),
        )
    _say(f"Recorded into {path}")


@app.command()
def record(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH", help="The bench file.")] = None,
    limits: Annotated[Path | None, typer.Option(help="The limits file.")] = None,
    name: Annotated[str | None, typer.Option(help="What the test is called.")] = None,
    note: Annotated[str, typer.Option(help="A first note.")] = "",
    duration: Annotated[
        str | None, typer.Option(help="How long, such as 90s, 30min or 6h; default until stopped.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="The new recording folder.", callback=_here)
    ] = None,
    goes_on: Annotated[
        Path | None,
        typer.Option("--continue", metavar="REC", help="Go on in this recording instead."),
    ] = None,
    recordings: Recordings = DEFAULT_RECORDINGS,
    send_stop: Annotated[
        bool,
        typer.Option(
            "--send-stop-on-trip",
            help="Send a joint's stop frame when a limit trips. A convenience, no safety function.",
        ),
    ] = False,
    tell: Annotated[
        Path | None, typer.Option(help="The tell file: whom to tell of alerts.")
    ] = None,
    simulated: Annotated[bool, typer.Option("--simulated", hidden=True)] = False,
) -> None:
    """Record what the joints of a bench report."""
    from logger.joint.bench.bench import read_bench
    from logger.limits.limit import LimitSet, check_for_bench, read_limits
    from logger.recording.record_settings import RecordSettings, settings_to_resume
    from logger.recording.recorder import record as run

    duration_s = _seconds(duration, "--duration") if duration else None
    if goes_on is not None:
        if name or out:
            raise InputError(
                "--continue: found beside --name or --out; a recording goes on as it began. Leave "
                "them away, or begin a new recording."
            )
        settings = settings_to_resume(
            goes_on,
            bench=bench,
            limits_file=limits,
            note=note,
            duration_s=duration_s,
            send_stop_on_trip=send_stop,
        )
    else:
        if bench is None:
            raise InputError("BENCH: found none, expected the bench file (or --continue REC).")
        the_bench = read_bench(bench)
        the_limits = read_limits(limits) if limits else LimitSet()
        check_for_bench(the_limits, the_bench, str(limits))
        title = name or bench.stem
        settings = RecordSettings(
            bench=the_bench,
            where=str(bench),
            limits=the_limits,
            limits_file=limits,
            out=out or recordings / _folder_name(time.time_ns(), title),
            name=title,
            note=note,
            duration_s=duration_s,
            simulated=simulated,
            send_stop_on_trip=send_stop,
        )
    asides: queue.SimpleQueue[str] = queue.SimpleQueue()
    teller = _teller(tell, settings.out.name, asides.put) if tell is not None else None

    def on_event(event: "Event") -> None:
        _say_event(event)
        if teller is not None:
            teller.notify_targets(event)

    # What is loaded by now stays: it is not looked through again with every few hundred frames.
    gc.freeze()
    try:
        ended = run(
            settings,
            stop=_stop_on_signals(),
            on_event=on_event,
            on_start=lambda path: _say(f"Recording into {path}"),
            asides=asides,
        )
    finally:
        waiting = teller.close() if teller is not None else 0
        while not asides.empty():
            _say(asides.get())
        if waiting:
            _say(f"{waiting} messages wait for the next recording with {tell}.")
    _say(
        f"Recorded {ended.frames} frames in {ended.duration_s:.1f} s ({ended.cause}); "
        f"{ended.dropped} lost, {ended.undecoded} not decoded. {ended.path}"
    )


@app.command()
def dashboard(
    recordings: Recordings = DEFAULT_RECORDINGS,
    port: Port = 8050,
    host: Annotated[
        str, typer.Option(help="Address to serve on; any but this machine's own asks a password.")
    ] = "127.0.0.1",
    password_file: Annotated[
        Path | None, typer.Option(help="Ask for the password whose hash is in this file.")
    ] = None,
    origin: Annotated[
        str, typer.Option(help="Address that a reverse proxy shows, such as https://bench.lab.")
    ] = "",
    read_only: Annotated[
        bool, typer.Option("--read-only", help="Only show: no notes, nothing acknowledged.")
    ] = False,
) -> None:
    """Serve the pages over a recordings folder, live and past."""
    _serve(
        recordings,
        host=host,
        port=port,
        open_at=None,
        password_file=password_file,
        origin=origin,
        read_only=read_only,
    )


@app.command()
def password(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where its hash is written.")],
) -> None:
    """Write the hash of a password that is typed, for `dashboard --password-file`."""
    from getpass import getpass

    from dashboard.access.password import write_password

    # Typed or piped in, never an option: those are seen in the list of processes.
    if sys.stdin.isatty():
        typed = getpass("Password: ")
        if getpass("Once more: ") != typed:
            raise InputError("password: the two are not the same; nothing was written.")
    else:
        typed = sys.stdin.readline().rstrip("\r\n")
    write_password(file, typed)
    _say(f"Its hash is in {file}; start `dutytrace dashboard --password-file {file}` anew.")


@app.command()
def replay(
    recording: Recording,
    limits: Annotated[
        Path | None,
        typer.Option(help="Show what other limits would have raised, in place of what was."),
    ] = None,
    port: Port = 8050,
    browser: Annotated[bool, typer.Option(help="Open the page in a browser.")] = True,
) -> None:
    """Serve the pages, opened at one recording."""
    from logger.store.layout.manifest import read_manifest

    manifest = read_manifest(recording)
    query = ""
    if limits is not None:
        from dashboard.replay.limits_token import encode_token
        from logger.limits.limit import check_for_bench, read_limits

        chosen = read_limits(limits)
        check_for_bench(chosen, manifest.read_bench(str(recording)), str(limits))
        query = f"?judged={encode_token(chosen.text)}"
    path = recording.resolve()
    _serve(path.parent, host="127.0.0.1", port=port, open_at=path, query=query, browser=browser)


@app.command()
def check(recording: Anywhere, as_json: AsJson = False) -> None:
    """Tell whether a recording is whole, and what is missing."""
    from logger.store.layout.manifest import iso_utc
    from replay.check import check_recording as run
    from replay.recording import Recording as Opened

    found = run(Opened.open(location_of(recording)))
    if as_json:
        _answer(
            {
                "whole": found.is_complete,
                "live": found.live,
                "joints": {joint: {"rows": rows} for joint, rows in found.rows.items()},
                "frames": found.frames,
                "dropped": found.dropped,
                "gaps": [
                    {
                        "joint": gap.joint,
                        "start": iso_utc(gap.start_ns),
                        "duration_s": gap.duration_s,
                        "cause": gap.cause,
                    }
                    for gap in found.gaps
                ],
                "missing": list(found.missing),
            }
        )
    else:
        _say(f"{recording}: {'whole' if found.is_complete else 'not whole'}")
        for joint, rows in found.rows.items():
            _say(f"  {joint}: {rows} readings")
        _say(f"  {found.frames} frames, {found.dropped} lost")
        for gap in found.gaps:
            _say(
                f"  {gap.joint}: nothing for {gap.duration_s:.1f} s from "
                f"{iso_utc(gap.start_ns)}: {gap.cause}"
            )
        for sentence in found.missing:
            _say(f"  missing: {sentence}")
    if not found.is_complete:
        raise typer.Exit(1)


@app.command()
def seal(recording: Recording) -> None:
    """Turn what a crash left into finished parts."""
    from logger.store.layout.manifest import read_manifest
    from logger.store.repair.recovery import seal as run

    read_manifest(recording)
    _say(f"{recording}: {'sealed' if run(recording) else 'nothing was left to seal'}")


@app.command("import")
def bring_in(
    source: Annotated[
        Path, typer.Argument(metavar="LOG", help="A log that python-can reads, or a table.")
    ],
    bench: Annotated[Path | None, typer.Option(metavar="BENCH", help="The bench file.")] = None,
    limits: Annotated[Path | None, typer.Option(help="The limits file.")] = None,
    name: Annotated[str | None, typer.Option(help="What the test or sensor is called.")] = None,
    note: Annotated[str, typer.Option(help="A first note.")] = "",
    out: Annotated[
        Path | None, typer.Option(help="The new recording folder.", callback=_here)
    ] = None,
    start: Annotated[
        str | None, typer.Option(metavar="TIME", help="When its first frame or row was (ISO 8601).")
    ] = None,
    channel: Annotated[
        list[str] | None,
        typer.Option(metavar="BUS=CHANNEL", help="Which channel of the log is which bus."),
    ] = None,
    tolerant: Annotated[
        bool, typer.Option("--tolerant", help="Take what stands before a damage.")
    ] = False,
    into: Annotated[
        Path | None,
        typer.Option(metavar="REC", help="A table (.csv, .parquet) joins this as a sensor."),
    ] = None,
    time_column: Annotated[
        str | None, typer.Option("--time", metavar="COLUMN", help="The table's column of times.")
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(metavar="CHANNEL=COLUMN", help="Which column of the table is which channel."),
    ] = None,
    time_unit: Annotated[
        str, typer.Option(help="What a time that is a number counts: s, ms, us or ns.")
    ] = "s",
    hold: Annotated[
        str | None, typer.Option(help="How long a value holds; default three periods.")
    ] = None,
    recordings: Recordings = DEFAULT_RECORDINGS,
    as_json: AsJson = False,
) -> None:
    """Make a recording of a log, or let a table of values join one as a sensor."""
    start_ns = _moment_ns(start, "--start") if start else None
    if into is not None:
        if bench or limits or out or channel or tolerant:
            raise InputError(
                "--into: found beside --bench, --limits, --out, --channel or --tolerant, which are "
                "of a log. Leave them away."
            )
        _join(
            into,
            source,
            sensor=name or re.sub(r"[^a-z0-9]+", "-", source.stem.lower()).strip("-") or "sensor",
            time_column=time_column,
            columns=dict(_pair(one, "--column") for one in column or []),
            time_unit=time_unit,
            start_ns=start_ns,
            hold_s=_seconds(hold, "--hold") if hold else None,
            note=note,
            as_json=as_json,
        )
        return
    if time_column or column or hold:
        raise InputError(
            "--into: found none, expected the recording that the table joins, since --time, "
            "--column or --hold was said."
        )
    if bench is None:
        raise InputError("--bench: found none, expected the bench file that explains the frames.")
    from logger.importing.import_frames import import_frames as run
    from logger.importing.log_frames import LogFrames
    from logger.joint.bench.bench import read_bench
    from logger.limits.limit import LimitSet, check_for_bench, read_limits

    the_bench = read_bench(bench)
    the_limits = read_limits(limits) if limits else LimitSet()
    check_for_bench(the_limits, the_bench, str(limits))
    frames = LogFrames(
        path=source,
        bench=the_bench,
        start_ns=start_ns,
        channels=dict(_pair(one, "--channel") for one in channel or []),
        tolerant=tolerant,
    )
    title = name or source.name.split(".")[0]
    first_ns = frames.first_time_ns()
    with _progress(f"Importing {source.name}", frames.size_bytes) as at:
        made = run(
            frames,
            bench=the_bench,
            limits=the_limits,
            out=out or recordings / _folder_name(first_ns, title),
            name=title,
            note=note,
            pending_notices=frames.notices,
            progress=lambda _time_ns: at(frames.read_bytes),
            stop=_stop_on_signals(),
        )
    _say_made(made, as_json=as_json)


@app.command()
def redecode(
    recording: Recording,
    bench: Annotated[Path, typer.Option(metavar="BENCH", help="The corrected bench file.")],
    limits: Annotated[
        Path | None, typer.Option(help="Other limits than those that were in force.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="The new recording folder; default beside the old one.", callback=_here),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Decode a recording again from its raw frames, with a corrected bench file."""
    from logger.importing.redecode import redecode_frames as run
    from logger.joint.bench.bench import read_bench
    from logger.limits.limit import read_limits

    with _progress(f"Decoding {recording.name}", 1.0) as at:
        made = run(
            recording,
            bench=read_bench(bench),
            out=out or recording.with_name(f"{recording.resolve().name}-redecoded"),
            limits=read_limits(limits) if limits else None,
            progress=at,
            stop=_stop_on_signals(),
        )
    _say_made(made, as_json=as_json)


@app.command()
def note(
    recording: Recording,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What you did or saw.")],
    who: Annotated[str, typer.Option(help="Who says so.")] = "",
) -> None:
    """Write a note into a recording, live or finished."""
    from logger.store.repair.post_request import submit_request

    _known(recording)
    submit_request(recording, kind="note", text=text, who=who)


@app.command()
def acknowledge(
    recording: Recording,
    alert: Annotated[int, typer.Argument(metavar="ALERT", help="The alert's number.", min=1)],
    who: Annotated[str, typer.Option(help="Who says so.")] = "",
) -> None:
    """Acknowledge an alert."""
    from logger.store.repair.post_request import submit_request

    _known(recording, alert)
    submit_request(recording, kind="acknowledge", alert=alert, who=who)


@app.command()
def shelve(
    recording: Recording,
    alert: Annotated[int, typer.Argument(metavar="ALERT", help="The alert's number.", min=1)],
    span: Annotated[str, typer.Option("--for", help="How long, such as 30min.")] = "30min",
    who: Annotated[str, typer.Option(help="Who says so.")] = "",
) -> None:
    """Silence a warning for a stated time; a trip cannot be shelved."""
    from logger.store.repair.post_request import submit_request

    _known(recording, alert)
    submit_request(recording, kind="shelve", alert=alert, for_s=_seconds(span, "--for"), who=who)


@app.command()
def excursions(
    recording: Anywhere,
    limits: Annotated[
        Path | None, typer.Option(help="Other limits than those that were in force.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List every stretch beyond a limit, and what led up to it."""
    from logger.limits.limit import check_for_bench, read_limits
    from logger.store.layout.manifest import iso_utc
    from replay.excursions.over_rows import find_excursions as run
    from replay.excursions.recorded import recorded_excursions
    from replay.recording import Recording as Opened

    opened = Opened.open(location_of(recording))
    if limits is None:
        found = recorded_excursions(opened)
    else:
        chosen = read_limits(limits)
        check_for_bench(chosen, opened.bench, str(limits))
        found = run(opened, chosen)
    if as_json:
        _answer(
            {
                "excursions": [
                    {
                        "joint": one.joint,
                        "limit": one.limit,
                        "severity": one.severity,
                        "channel": one.channel,
                        "start": iso_utc(one.start_ns),
                        "duration_s": round(one.duration_s, 3),
                        "peak": None if math.isnan(one.peak) else one.peak,
                        "ongoing": one.ongoing,
                        "rms_torque_Nm": {
                            str(seconds): None if math.isnan(rms) else round(rms, 4)
                            for seconds, rms in one.rms_torque_Nm.items()
                        },
                        "near": list(one.nearby),
                    }
                    for one in found
                ]
            }
        )
        return
    if not found:
        _say("Nothing went beyond a limit.")
        return
    _table(
        ["begun", "joint", "limit", "severity", "for", "peak", "RMS torque 1, 5, 15 min before"],
        [
            [
                iso_utc(one.start_ns),
                one.joint,
                one.limit,
                one.severity,
                f"{one.duration_s:.1f} s" + (" and on" if one.ongoing else ""),
                one.peak_text,
                ", ".join(
                    "–" if math.isnan(rms) else f"{rms:.1f}" for rms in one.rms_torque_Nm.values()
                )
                + (f" of {one.rated_torque_Nm:g} N·m" if one.rated_torque_Nm else " N·m")
                if one.rms_torque_Nm
                else "",
            ]
            for one in found
        ],
    )
    for one in found:
        for said in one.nearby:
            _say(f"{iso_utc(one.start_ns)} {one.joint}: {said}")


@app.command()
def tune(
    recordings: Annotated[
        list[str],
        typer.Argument(
            metavar="REC...",
            help="Recording folders to judge on, or addresses of finished ones (s3://...).",
        ),
    ],
    limits: Annotated[Path, typer.Option(help="The limits file to begin with.")],
    sweep: Annotated[
        Path, typer.Option(help="The sweep file: what is a bad end, and what is to be varied.")
    ],
    table: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write every result into this new .parquet file."),
    ] = None,
    save: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the choice into this new .toml file.")
    ] = None,
    jobs: Annotated[
        int, typer.Option(help="Processes; 0: one for each core, 1: only this one.", min=0, max=512)
    ] = 0,
    cluster: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Work on the Dask cluster of this scheduler instead."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Judge candidate limits on recordings: what they catch, how early, how often for nothing."""
    from logger.limits.limit import read_limits
    from logger.store.layout.manifest import package_versions
    from replay.tuning import report
    from replay.tuning.cluster import dask_executor
    from replay.tuning.executors import count_cores
    from replay.tuning.save import candidate_limits_text, write_limits
    from replay.tuning.sweep import read_sweep
    from replay.tuning.table import check_writable, write_table
    from replay.tuning.tune import prepare_sweep, run_sweep

    for path, suffix, option in ((table, ".parquet", "--table"), (save, ".toml", "--save")):
        if path is not None:
            check_writable(path, suffix, option)
    if cluster is not None and jobs:
        raise InputError(
            f"--jobs: found {jobs} beside --cluster, expected one of the two: how many work there "
            "the cluster says."
        )
    base = read_limits(limits)
    asked = prepare_sweep(
        [location_of(one) for one in recordings], read_sweep(sweep, base), str(limits)
    )
    stop = _stop_on_signals()
    with (
        dask_executor(cluster, jobs=jobs or count_cores()) as (executor, at_once),
        _progress(f"Judging {len(asked.sweep.candidates)} candidates", 1.0) as at,
    ):
        found = run_sweep(
            asked,
            executor=executor,
            jobs=at_once,
            progress=at,
            stop=stop,
        )
    ended = report.sweep_outcome(found)
    if table is not None:
        write_table(table, found)
    if save is not None and found.chosen_index is not None:
        said = report.choice_provenance(
            found,
            version=package_versions()["dutytrace"],
            date=datetime.now(UTC).strftime("%Y-%m-%d"),
        )
        chosen = found.request.sweep.candidates[found.chosen_index]
        write_limits(save, candidate_limits_text(base, chosen, said))
    if as_json:
        _answer(report.sweep_to_json(found))
    else:
        if found.pareto_indices:
            _table(list(report.PARETO_TABLE_HEAD), report.pareto_rows(found))
        for line in ended.sentences:
            _say(line)
        if table is not None:
            _say(f"{table}: {len(found.rows)} results.")
        if save is not None and found.chosen_index is not None:
            _say(f"{save}: the chosen limits.")
    if ended.status:
        raise typer.Exit(ended.status)


@app.command()
def export(
    recording: Recording,
    out: Annotated[Path, typer.Option(metavar="FILE", help="The new file: .csv or .parquet.")],
    joint: Annotated[list[str] | None, typer.Option(help="Only this joint; several times.")] = None,
    begin: Annotated[
        str | None,
        typer.Option("--from", metavar="TIME", help="ISO 8601, or from the start, such as 90s."),
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="The same; default the end.")
    ] = None,
    channels: Annotated[
        str | None, typer.Option(help="Only these, such as torque_Nm,speed_rad_s.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write a span of a recording as CSV or Parquet."""
    from replay.export import export as run
    from replay.recording import Recording as Opened

    opened = Opened.open(recording)
    start_ns = opened.start_ns
    with _progress(f"Exporting {recording.name}", 1.0) as at:
        rows = run(
            opened,
            out,
            start_ns=_moment_ns(begin, "--from", start_ns=start_ns) if begin else None,
            end_ns=_moment_ns(end, "--to", start_ns=start_ns) if end else None,
            joints=joint or (),
            channels=[name.strip() for name in channels.split(",")] if channels else (),
            replace=force,
            progress=at,
            stop=_stop_on_signals(),
        )
    if as_json:
        _answer({"file": str(out), "rows": rows})
    else:
        _say(f"Wrote {rows} rows into {out}")


@app.command()
def cut(
    recording: Recording,
    begin: Annotated[
        str | None,
        typer.Option("--from", metavar="TIME", help="ISO 8601, or from the start, such as 90s."),
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="The same; default the end.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="The new recording folder; default beside the old one.", callback=_here),
    ] = None,
    name: Annotated[str, typer.Option(help="What the new recording is called.")] = "",
    as_json: AsJson = False,
) -> None:
    """Cut a span out of a recording, live or finished, as a recording of its own."""
    from logger.store.layout.manifest import read_manifest
    from logger.store.tools.cut import copy_span

    start_ns = read_manifest(recording).started_ns
    with _progress(f"Cutting {recording.name}", 1.0) as at:
        made = copy_span(
            recording,
            out=out,
            start_ns=_moment_ns(begin, "--from", start_ns=start_ns) if begin else None,
            end_ns=_moment_ns(end, "--to", start_ns=start_ns) if end else None,
            name=name,
            progress=at,
            stop=_stop_on_signals(),
        )
    _say_cut(made, as_json=as_json)
    if made.missing:
        raise typer.Exit(1)


@app.command()
def pack(
    recording: Recording,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The new file; default here, by its name.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Pack a finished recording as one file, to send."""
    from logger.store.tools.pack import packed_file_name
    from logger.store.tools.pack import write_tar as run

    file = out or Path(packed_file_name(recording))
    with _progress(f"Packing {recording.name}", 1.0) as at:
        size = run(
            recording,
            file,
            progress=at,
            stop=_stop_on_signals(),
        )
    if as_json:
        _answer({"file": str(file), "bytes": size})
    else:
        _say(f"Packed {recording} into {file}, {size / 1e6:.1f} MB")


@app.command()
def unpack(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A packed recording.")],
    recordings: Recordings = DEFAULT_RECORDINGS,
    as_json: AsJson = False,
) -> None:
    """Make a packed recording a folder again, and tell whether it is whole."""
    from logger.store.tools.unpack import extract_recording as run

    with _progress(f"Unpacking {file.name}", 1.0) as at:
        path = run(
            file,
            recordings,
            progress=at,
            stop=_stop_on_signals(),
        )
    if as_json:
        _answer({"recording": str(path)})
        return
    _say(f"Unpacked into {path}")
    check(str(path))


@app.command()
def decode(
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="The bench file.")],
    frame: Annotated[
        list[str],
        typer.Argument(
            metavar="ID BYTES",
            help="Such as 0x2C3 '48 18 1F', in hex; or frames of a text log, such as 2C3#48181F.",
        ),
    ],
    extended: Annotated[bool, typer.Option(help="A 29-bit identifier.")] = False,
    bus: Annotated[
        str | None, typer.Option(help="The bus that it came on, where the bench has several.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Explain one frame: each byte, each value, and what cannot be told."""
    from logger.joint.bench.bench import read_bench
    from logger.joint.explain.explain import explain_frame
    from logger.joint.explain.typed import parse_typed_frames

    read = read_bench(bench)
    found = [
        explain_frame(read, one, bus=bus) for one in parse_typed_frames(frame, extended=extended)
    ]
    if as_json:
        one_or_more = [_explained_answer(one) for one in found]
        _answer(one_or_more[0] if len(found) == 1 else {"frames": one_or_more})
        return
    for one in found:
        for line in _explained(one):
            _say(line)


@layout_app.command("from")
def layout_from(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A bus description that cantools reads.")
    ],
    message: Annotated[
        list[str] | None, typer.Option(help="A message to take; again for more. None: list them.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="The layout file to write. [default: NAME.toml here]")
    ] = None,
) -> None:
    """Write one of our layouts from a bus description file, for a person to trim."""
    from logger.layout_tools.dbc_import import (
        describe_messages,
        layout_file_text,
        read_messages,
        write_layout_file,
    )

    messages = read_messages(file)
    if not message:
        rows = [
            (name, number, str(length), ", ".join(signals))
            for name, number, length, signals in describe_messages(messages)
        ]
        for line in format_table(("message", "identifier", "bytes", "signals"), rows):
            _say(line)
        _say("Take what you need: --message NAME.")
        return
    name = re.sub(r"[^a-z0-9]+", "-", (out.stem if out else message[0]).lower()).strip("-")
    name = name or "layout"
    out = out or Path(f"{name}.toml")
    if out.stem != name or out.suffix != ".toml":
        raise InputError(
            f"--out: found {str(out)!r}, expected a name of small letters, digits and '-', with "
            f".toml, such as {name}.toml."
        )
    write_layout_file(out, layout_file_text(messages, message, name=name, source=file.name))
    _say(f"{out}: written. Look at every line, then: dutytrace layout try {out} --log LOG")


@layout_app.command("try")
def layout_try(
    layout: Annotated[Path, typer.Argument(metavar="LAYOUT", help="The layout file.")],
    log: Annotated[Path | None, typer.Option(help="A log that python-can reads.")] = None,
    bench: Annotated[
        Path | None, typer.Option(help="A bench file: its buses live, or what explains the log.")
    ] = None,
    joint: Annotated[str | None, typer.Option(help="Only this joint of the bench file.")] = None,
    node: Annotated[int, typer.Option(help="The joint's node, without a bench file.", min=0)] = 0,
    gear_ratio: Annotated[float, typer.Option(help="Its gear, without a bench file.")] = 1.0,
    frames: Annotated[
        int,
        typer.Option(help="Of a log the first, of a bus the newest.", min=1, max=5_000_000),
    ] = 200_000,
    once: Annotated[
        bool, typer.Option("--once", help="Show it once and end; of a bus after 2 s.")
    ] = False,
) -> None:
    """Show the channels of real traffic, again at each save of the layout; nothing is sent."""
    from logger.layout_tools.preview import PreviewSettings, preview_layout

    if log is None and bench is None:
        raise InputError("layout try: found neither --log nor --bench, expected what to try it on.")
    settings = PreviewSettings(
        layout=layout, log=log, bench=bench, joint=joint, node=node, gear_ratio=gear_ratio,
        frames=frames,
    )  # fmt: skip
    with _shown(in_place=sys.stdout.isatty() and not once) as show:
        for tried in preview_layout(settings, stop=_stop_on_signals()):
            if once and tried.fault:
                raise InputError(tried.fault)
            if once and log is None and tried.observed_s < ONCE_S:
                continue
            show(_tried(tried), (tried.saved, tried.fault))
            if once:
                return


@limits_app.command("curve")
def limits_curve(
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
    tau: Annotated[str, typer.Option(help="Thermal: the time constant.")] = "10min",
    preload: Annotated[float, typer.Option(help="Thermal: a long current before.")] = 0.0,
    unit: Annotated[str, typer.Option(help="What currents are in, for the words.")] = "A",
    html: Annotated[Path | None, typer.Option(help="Draw it into this file.")] = None,
    as_json: AsJson = False,
) -> None:
    """Tabulate, and draw, how long a current may last: to hold beside a handbook."""
    from logger.limits.curve_table import CurveSettings, curve_table, limit_curve_settings
    from logger.limits.limit import read_limits

    if limits is not None:
        if (setting, tms, k, tau) != (1.0, 1.0, 1.05, "10min"):
            raise InputError(
                "--limits: found beside --setting, --tms, --k or --tau, which the limit says."
            )
        settings, unit = limit_curve_settings(read_limits(limits), curve, preload=preload)
    else:
        settings = CurveSettings(
            curve=curve, setting=setting, tms=tms, k=k, tau_s=_seconds(tau, "--tau"),
            preload=preload,
        )  # fmt: skip
    table = curve_table(settings)
    if html is not None:
        from dashboard.figures.curve import curve_figure

        figure = curve_figure(*table.points_to_draw(), title=table.title, unit=unit)
        html.write_text(figure.to_html(include_plotlyjs=True), encoding="utf-8")
    if as_json:
        _answer(
            {
                "curve": curve,
                "title": table.title,
                "rows": [
                    {"multiple": one.multiple, "current": one.current, "time_s": one.time_s}
                    for one in table.rows
                ],
            }
        )
        return
    _say(table.title)
    for line in format_table(
        ("multiple", f"current, {unit}", "time, s"),
        [
            (
                f"{one.multiple:g}",
                f"{one.current:.6g}",
                "for ever" if one.time_s is None else f"{one.time_s:.9g}",
            )
            for one in table.rows
        ],
    ):
        _say(f"  {line}")
    if html is not None:
        _say(f"{html}: drawn.")


@limits_app.command("check")
def limits_check(
    limits: Annotated[Path, typer.Argument(metavar="FILE", help="The limits file.")],
    bench: Annotated[Path, typer.Option(help="The bench file that it is to watch.")],
    as_json: AsJson = False,
) -> None:
    """Say in words what each limit will do on a bench, or what does not fit."""
    from logger.joint.bench.bench import read_bench
    from logger.limits.describe import describe_limits
    from logger.limits.limit import check_for_bench, read_limits

    the_bench, the_limits = read_bench(bench), read_limits(limits)
    check_for_bench(the_limits, the_bench, str(limits))
    found = describe_limits(the_limits, the_bench)
    if as_json:
        _answer(
            {
                "limits": [
                    {
                        "limit": one.name,
                        "kind": one.kind,
                        "severity": one.severity,
                        "joints": list(one.joints),
                        "words": one.text,
                        "shares": list(one.needs_rated),
                    }
                    for one in found
                ]
            }
        )
        return
    for one in found:
        _say(f"{one.name} {one.text}.")
        for share in one.needs_rated:
            _say(f"  {share}")
    if not found:
        _say("The file has no limits.")


@limits_app.command("example")
def limits_example() -> None:
    """Print a commented limits file with every kind, to begin with."""
    from logger.limits.kinds import example_text

    _say(example_text().rstrip())


@app.command()
def bus(
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="The bench file.")],
    span: Annotated[str, typer.Option("--for", help="How long, such as 5s or 1min.")] = "5s",
    as_json: AsJson = False,
) -> None:
    """Listen, sending nothing: who talks, how often, how loaded, and what is wrong."""
    from logger.bus.listen import MAX_LISTEN_S, capture_buses
    from logger.joint.bench.bench import read_bench

    for_s = _seconds(span, "--for")
    if for_s > MAX_LISTEN_S:
        raise InputError(
            f"--for: found {span!r}, expected at most {MAX_LISTEN_S / 60:g}min. For longer, record."
        )
    the_bench = read_bench(bench)
    stop = _stop_on_signals()
    if not as_json:
        _say(f"Listening for {for_s:g} s; nothing is sent.")
    heard = capture_buses(the_bench, where=str(bench), for_s=for_s, stop=stop)
    if as_json:
        _answer(
            {
                "healthy": heard.healthy,
                "span_s": round(heard.span_s, 3),
                "said": [text for _, text in heard.remarks],
                "buses": [_bus_answer(one) for one in heard.buses],
            }
        )
    else:
        for one in heard.buses:
            _say_bus(one)
        for _, text in heard.remarks:
            _say(text)
    if not heard.healthy:
        raise typer.Exit(1)


def main() -> None:
    """Run a command; mistakes and faults end in one sentence and an exit status."""
    try:
        status = app(standalone_mode=False)
    except DutytraceError as fault:
        sys.stderr.write(f"dutytrace: {fault}\n")
        sys.exit(fault.exit_status)
    except (typer.Abort, KeyboardInterrupt):
        sys.exit(130)
    except Exception as fault:
        if type(fault).__module__.startswith(("click", "typer")) and hasattr(fault, "show"):
            fault.show()
            sys.exit(getattr(fault, "exit_code", 2))
        raise
    sys.exit(status or 0)


def _say(text: str) -> None:
    """Print one line at once; a closed terminal is no fault of a recording."""
    try:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()
    except (OSError, ValueError, AttributeError):
        pass


def _teller(file: Path, recording: str, say: Callable[[str], None]) -> "Notifier":
    from logger.notify.notifier import Notifier
    from logger.notify.settings import read_notify

    waiting = file.with_name(f"{file.name}.waiting")
    return Notifier(read_notify(file), waiting=waiting, recording=recording, report=say)


def _say_event(event: "Event") -> None:
    from logger.store.layout.events import headline

    if event.kind in {EventKind.STARTED, EventKind.ENDED}:
        return
    clock = datetime.fromtimestamp(event.time_ns / 1e9, UTC).astimezone().strftime("%H:%M:%S")
    word = headline(event.kind, event.severity)
    number = f" [alert {event.alert}]" if event.alert else ""
    _say(f"{clock}  {word}: {event.text}{number}")


def _answer(content: dict[str, Any]) -> None:
    _say(json.dumps({"format": 1, **content}, ensure_ascii=False))


def _table(head: list[str], rows: list[list[str]]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(*head, box=None, pad_edge=False, header_style="bold")
    for row in rows:
        table.add_row(*row)
    console = Console(width=None if sys.stdout.isatty() else 160, highlight=False)
    console.print(table)


def _explained_answer(found: "Explained") -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "joint": found.joint,
        "frame": found.frame,
        "bus": found.bus,
        "readings": dict(found.readings),
        "bytes": [{"byte": one.index, "value": one.value, "of": one.fields} for one in found.bytes],
        "values": [asdict(one) for one in found.values],
        "said": found.remarks,
    }


def _explained(found: "Explained") -> list[str]:
    """Return what one frame says, as lines."""
    of_bytes = format_table(
        ("byte", "hex", "binary", "decimal", "belongs to"),
        [
            (
                str(one.index),
                f"{one.value:02X}",
                f"{one.value >> 4:04b} {one.value & 15:04b}",
                str(one.value),
                ", ".join(one.fields) or "nothing that the layout knows",
            )
            for one in found.bytes
        ],
    )
    of_values = format_table(
        ("value", "raw", "hex", "conversion", "result"),
        [
            (one.name, str(one.raw), one.hex, one.how or "as it is", one.text)
            for one in found.values
        ],
    )
    lines = [*of_bytes, *of_values, *found.remarks]
    return [f"{found.joint}: {found.frame}", *(f"  {line}" for line in lines)]


def _tried(tried: "Preview") -> list[str]:
    """Return what a layout makes of traffic, as lines."""

    def figure(value: float | None) -> str:
        return "-" if value is None else f"{value:.5g}"

    lines = []
    if tried.fault:
        lines += tried.fault.splitlines()
    trial = tried.trial
    if trial is None:
        return [*lines, "Waiting for a save that mends it."]
    if tried.fault:
        lines.append("(below: the layout as it was before)")
    lines += format_table(
        ("joint", "frame", "count", "period s"),
        [(one.joint, one.frame, str(one.count), figure(one.period_s)) for one in trial.kinds],
    )
    lines += [
        "",
        *format_table(
            (
                "joint",
                "channel",
                "values",
                "no value",
                "newest",
                "lowest",
                "highest",
                "jump",
                "impossible",
            ),
            [
                (
                    one.joint,
                    one.channel,
                    str(one.count),
                    f"{one.absent / (one.count + one.absent):.1%}" if one.absent else "-",
                    *map(figure, (one.newest, one.lowest, one.highest, one.jump)),
                    str(one.outside or "-"),
                )
                for one in trial.channels
            ],
        ),
    ]
    if trial.reasons:
        reasons = ", ".join(f"{reason} {count}" for reason, count in trial.reasons.items())
        lines += [
            "",
            f"not decoded: {reasons}",
            *format_table(
                ("identifier", "count", "why", "newest"),
                [
                    (one.identifier, str(one.count), one.reason, one.example)
                    for one in trial.not_decoded
                ],
            ),
        ]
    asked = f", {trial.requests} of them requests" if trial.requests else ""
    times = "once" if tried.saved == 1 else f"{tried.saved} times"
    cut = " The log goes on; --frames takes more." if tried.is_cut else ""
    last = f"{trial.frames} frames{asked}; the layout was read {times}.{cut}"
    return [*lines, *trial.notices, *tried.remarks, "", last]


@contextlib.contextmanager
def _shown(*, in_place: bool) -> Iterator[Callable[[list[str], tuple[int, str]], None]]:
    """Give what shows lines: in place on a terminal, else below each other, but not each time.

    Of the same save only once a second.
    """
    if in_place:
        from rich.live import Live
        from rich.text import Text

        with Live(auto_refresh=False, vertical_overflow="crop") as live:
            yield lambda lines, _: live.update(
                Text("\n".join(lines), no_wrap=True, overflow="ellipsis"), refresh=True
            )
        return
    before: tuple[tuple[int, str], float] | None = None

    def show(lines: list[str], of: tuple[int, str]) -> None:
        nonlocal before
        now_s = time.monotonic()
        if before is None or before[0] != of or now_s - before[1] >= LINES_S:
            before = (of, now_s)
            for line in lines:
                _say(line)

    yield show


def _bus_answer(heard: "BusCapture") -> dict[str, Any]:
    figures = heard.health.statistics
    return {
        "bus": figures.settings.name,
        "channel": figures.settings.channel,
        "bitrate_bit_per_s": figures.settings.bitrate,
        "healthy": heard.healthy,
        "frames": figures.frames,
        "frames_per_s": round(figures.frames_per_s, 3),
        "load": None if figures.load is None else round(figures.load, 6),
        "identifiers": [
            {
                "identifier": one.identifier_text,
                "extended": one.extended,
                "remote": one.remote,
                "role": one.role,
                "joints": list(one.joints),
                "frame": one.frame,
                "count": one.count,
                "period_s": one.period_s,
                "jitter_s": one.jitter_s,
                "longest_gap_s": one.longest_gap_s,
            }
            for one in figures.messages
        ],
        "undecoded": dict(figures.undecoded),
        "error_frames": figures.error_frames,
        "error_classes": dict(figures.error_classes),
        "remote_frames": figures.remote_frames,
        "lost_frames": heard.lost,
        "garbled": heard.garbled,
        "silent_joints": list(figures.silent),
        "requests": dict(figures.request_counts),
        "unanswered": dict(figures.unanswered_counts),
        "hints": list(heard.health.hints),
    }


def _say_bus(heard: "BusCapture") -> None:
    figures = heard.health.statistics
    load = "unknown, no bit rate given" if figures.load is None else f"{figures.load:.1%}"
    _say(
        f"{figures.settings.name} ({figures.settings.channel}): {figures.frames} frames, "
        f"{figures.frames_per_s:.1f} a second; load {load}"
    )
    if figures.messages:
        _table(
            ["identifier", "of", "frame", "count", "period", "jitter", "longest gap"],
            [
                [
                    one.identifier_text + (" remote" if one.remote else ""),
                    {"joint": "", "unknown": "unknown"}.get(one.role, f"{one.role} of ")
                    + " or ".join(one.joints),
                    one.frame or "–",
                    str(one.count),
                    *(
                        "–" if seconds is None else f"{seconds * 1e3:.2f} ms"
                        for seconds in (one.period_s, one.jitter_s, one.longest_gap_s)
                    ),
                ]
                for one in figures.messages
            ],
        )
    for title, counts in (
        ("Not decoded", figures.undecoded),
        ("Error frames", {"in all": figures.error_frames, **figures.error_classes}),
        ("Not received", {"lost by the system": heard.lost, "unreadable": heard.garbled}),
    ):
        listed = [f"{reason} {count}" for reason, count in counts.items() if count]
        if listed:
            _say(f"{title}: {', '.join(listed)}")
    if figures.request_counts:
        _table(
            ["asked by somebody", "requests", "unanswered"],
            [
                [joint, str(count), str(figures.unanswered_counts[joint])]
                for joint, count in figures.request_counts.items()
            ],
        )
    if figures.silent:
        _say(f"Silent: {', '.join(figures.silent)}")
    for hint in heard.health.hints:
        _say(f"Hint: {hint}")
    if heard.healthy:
        _say("Healthy.")


class _progress:  # noqa: N801 - reads like a function at its one place
    """A progress bar that is told how much of a total is done; silent where nobody looks."""

    def __init__(self, what: str, total: float | None) -> None:
        from rich.console import Console
        from rich.progress import Progress

        self._bar = Progress(console=Console(stderr=True), disable=not sys.stderr.isatty())
        self._task = self._bar.add_task(what, total=total)

    def __enter__(self) -> Callable[[float], None]:
        self._bar.__enter__()
        return lambda done: self._bar.update(self._task, completed=done)

    def __exit__(self, *ended: object) -> None:
        self._bar.__exit__(None, None, None)


def _serve(
    recordings: Path,
    *,
    host: str,
    port: int,
    open_at: Path | None,
    query: str = "",
    browser: bool = False,
    password_file: Path | None = None,
    origin: str = "",
    read_only: bool = False,
) -> None:
    from dashboard.app import serve_pages

    def ready(address: str) -> None:
        _say(f"The pages are at {address}{query}")
        if browser:
            import webbrowser

            webbrowser.open(address + query)

    serve_pages(
        recordings=recordings,
        host=host,
        port=port,
        password_file=password_file,
        origin=origin,
        read_only=read_only,
        open_at=open_at,
        ready=ready,
    )


def _stop_on_signals() -> threading.Event:
    """Return an event that Ctrl-C, SIGTERM and a closed terminal set."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        # Whoever started it with nohup wants it to go on without its terminal.
        if number != signal.SIGHUP or signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, lambda *_: stop.set())
    return stop


def _known(recording: Path, alert: int = 0) -> None:
    """Refuse a folder that is no recording, and an alert that it does not have."""
    from replay.recording import Recording as Opened

    numbers = [one.number for one in Opened.open(recording).read_alerts()]
    if alert and alert not in numbers:
        known = ", ".join(str(number) for number in numbers) or "none"
        raise InputError(f"{recording}: found alert {alert}, expected one of its alerts: {known}.")


def _folder_name(start_ns: int, name: str) -> str:
    stamp = datetime.fromtimestamp(start_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:48] or "recording"
    return f"{stamp}-{slug}"


def _join(
    recording: Path,
    table: Path,
    *,
    sensor: str,
    time_column: str | None,
    columns: dict[str, str],
    time_unit: str,
    start_ns: int | None,
    hold_s: float | None,
    note: str,
    as_json: bool,
) -> None:
    """Let a table of values join a recording as a sensor."""
    from logger.importing.sensor_table import SensorTable
    from logger.joint.bench.bench import SensorSettings
    from logger.settings_file import validate_settings
    from logger.store.repair.post_request import submit_request
    from logger.store.tools.add_sensor import add_sensor

    if not time_column or not columns:
        raise InputError(
            "--time, --column: expected the table's column of times, and for each channel its "
            "column, such as --time t --column temperature_ambient_degC=T1."
        )
    rows = SensorTable(
        path=table,
        sensor=sensor,
        time=time_column,
        columns=columns,
        unit=time_unit,
        start_ns=start_ns,
    )
    told = {"name": sensor, "channels": [*columns], "hold_s": hold_s or rows.hold_time_s()}
    with _progress(f"Importing {table.name}", None) as at:
        joined = add_sensor(
            recording,
            validate_settings(SensorSettings, told, "--name"),
            rows,
            progress=at,
            stop=_stop_on_signals(),
        )
    submit_request(
        recording, kind="note", text=note or f"{table.name} joined as the sensor {sensor}."
    )
    if as_json:
        _answer(
            {
                "recording": str(recording),
                "sensor": sensor,
                "rows": joined.rows,
                "outside": joined.outside,
            }
        )
        return
    _say(f"Joined {joined.rows} readings into {recording} as the sensor {sensor}.")
    if joined.outside:
        _say(f"{joined.outside} readings lie before its beginning or after its end: left out.")


def _say_made(made: "ImportResult", *, as_json: bool) -> None:
    if as_json:
        _answer(
            {
                "recording": str(made.path),
                "joints": {joint: {"rows": rows} for joint, rows in made.readings.items()},
                "frames": made.frames,
                "undecoded": made.undecoded,
                "said": [one.text for one in made.notices],
            }
        )
        return
    for one in made.notices:
        _say(one.text)
    _say(f"Recorded {made.frames} frames into {made.path}; {made.undecoded} not decoded.")
    for joint, rows in made.readings.items():
        _say(f"  {joint}: {rows} readings")


def _say_cut(made: "CutResult", *, as_json: bool) -> None:
    from logger.store.layout.manifest import iso_utc

    if as_json:
        _answer(
            {
                "recording": str(made.path),
                "start": iso_utc(made.start_ns),
                "duration_s": (made.end_ns - made.start_ns) * 1e-9,
                "joints": {joint: {"rows": rows} for joint, rows in made.readings.items()},
                "frames": made.frames,
                "standing": made.open_alerts,
                "missing": list(made.missing),
            }
        )
        return
    _say(f"Cut out {iso_utc(made.start_ns)} to {iso_utc(made.end_ns)} into {made.path}")
    for joint, rows in made.readings.items():
        _say(f"  {joint}: {rows} readings")
    _say(f"  {made.frames} frames; {made.open_alerts} alerts stood where it begins")
    for sentence in made.missing:
        _say(f"  missing: {sentence}")


def _pair(text: str, option: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not (equals and name.strip() and value.strip()):
        raise InputError(f"{option}: found {text!r}, expected NAME=VALUE.")
    return name.strip(), value.strip()


def _moment_ns(text: str, option: str, *, start_ns: int | None = None) -> int:
    """Return a time in ISO 8601 (UTC where it names no zone), or one counted from a start."""
    if start_ns is not None and re.fullmatch(r"\s*\d+(\.\d+)?\s*(s|min|h|d)?\s*", text):
        return start_ns + round(_seconds(text, option, least=0.0) * 1e9)
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        counted = ", or from the start, such as 90s or 2h" if start_ns is not None else ""
        raise InputError(
            f"{option}: found {text!r}, expected a time such as 2026-11-25T09:30:00Z{counted}."
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 10**9 + since.microseconds * 1000


def _seconds(text: str, option: str, *, least: float = 1e-9) -> float:
    """Return a time such as 90s, 30min or 6h in seconds."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(s|min|h|d)?\s*", text)
    if not match or float(match[1]) < least:
        raise InputError(f"{option}: found {text!r}, expected a time such as 90s, 30min or 6h.")
    return float(match[1]) * {"s": 1, "min": 60, "h": 3600, "d": 86400}[match[2] or "s"]


if __name__ == "__main__":
    main()
