"""Recordings made from files: `dutytrace import`, `join` and `redecode`."""

import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import (
    DEFAULT_RECORDINGS,
    AsJson,
    Duration,
    Instant,
    KeyValue,
    Moment,
    NewFolder,
    Pair,
    Recording,
    RecordingPath,
    Recordings,
    recording_folder_name,
    slug,
)
from logger.cli.terminal import Line, show, show_progress, stop_on_signals
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.importing.import_frames import ImportResult
    from logger.store.tools.add_sensor import AddResult

__all__ = ["import_log", "join_sensor_table", "redecode_recording"]

Start = Annotated[
    Moment | None, Instant().option("--start", help="When its first frame or row was (ISO 8601).")
]


def import_log(
    source: Annotated[Path, typer.Argument(metavar="LOG", help="A log that python-can reads.")],
    bench: Annotated[Path | None, typer.Option(metavar="BENCH", help="The bench file.")] = None,
    limits: Annotated[Path | None, typer.Option(help="The limits file.")] = None,
    name: Annotated[str | None, typer.Option(help="What the test is called.")] = None,
    note: Annotated[str, typer.Option(help="A first note.")] = "",
    out: NewFolder = None,
    start: Start = None,
    channel: Annotated[
        list[Pair] | None,
        KeyValue().option(metavar="BUS=CHANNEL", help="Which channel of the log is which bus."),
    ] = None,
    tolerant: Annotated[
        bool, typer.Option("--tolerant", help="Import what is before a damage.")
    ] = False,
    recordings: Recordings = DEFAULT_RECORDINGS,
    into: Annotated[str | None, typer.Option("--into", hidden=True)] = None,
    time_column: Annotated[str | None, typer.Option("--time", hidden=True)] = None,
    column: Annotated[list[str] | None, typer.Option("--column", hidden=True)] = None,
    time_unit: Annotated[str | None, typer.Option("--time-unit", hidden=True)] = None,
    hold: Annotated[str | None, typer.Option("--hold", hidden=True)] = None,
    as_json: AsJson = False,
) -> None:
    """Make a recording of a log."""
    table_options = {
        "--into": into, "--time": time_column, "--time-unit": time_unit, "--hold": hold,
        "--column": column,
    }  # fmt: skip
    given = [option for option, value in table_options.items() if value]
    if given:
        words = ["dutytrace", "join", into or "REC", str(source), "--time", time_column or "COLUMN"]
        for pair in column or ["CHANNEL=COLUMN"]:
            words += ["--column", pair]
        for option, value in (("--time-unit", time_unit), ("--hold", hold), ("--name", name)):
            words += [option, value] if value else []
        raise InputError(
            f"{given[0]}: a table of values is joined to a recording by `dutytrace join`, expected "
            f"here is a log. Write: {shlex.join(words)}"
        )
    if bench is None:
        raise InputError("--bench: found none, expected the bench file that explains the frames.")
    from logger.importing.import_frames import import_frames
    from logger.importing.log_frames import LogFrames
    from logger.joint.bench.bench import read_bench
    from logger.limits.limit import LimitSet, check_for_bench, read_limits

    the_bench = read_bench(bench)
    the_limits = read_limits(limits) if limits else LimitSet()
    check_for_bench(the_limits, the_bench, str(limits))
    frames = LogFrames(
        path=source,
        bench=the_bench,
        start_ns=start.ns if start else None,
        channels=dict(channel or []),
        tolerant=tolerant,
    )
    title = name or source.name.split(".")[0]
    first_ns = frames.first_time_ns()
    with show_progress(f"Importing {source.name}", frames.size_bytes) as at:
        made = import_frames(
            frames,
            bench=the_bench,
            limits=the_limits,
            out=out or recordings / recording_folder_name(first_ns, title),
            name=title,
            note=note,
            pending_notices=frames.notices,
            progress=lambda _time_ns: at(frames.read_bytes),
            stop=stop_on_signals(),
        )
    show(made.to_json(), _made_lines(made), as_json=as_json)
    _end_if_nothing_was_decoded(made)


def join_sensor_table(
    recording: Recording,
    table: Annotated[
        Path, typer.Argument(metavar="TABLE", help="A table of values (.csv, .parquet).")
    ],
    time_column: Annotated[
        str, typer.Option("--time", metavar="COLUMN", help="The table's column of times.")
    ],
    column: Annotated[
        list[Pair],
        KeyValue().option(
            metavar="CHANNEL=COLUMN", help="Which column of the table is which channel."
        ),
    ],
    name: Annotated[
        str | None, typer.Option(help="What the sensor is called; default after the table.")
    ] = None,
    start: Start = None,
    time_unit: Annotated[
        str, typer.Option(help="What a time that is a number counts: s, ms, us or ns.")
    ] = "s",
    hold: Annotated[
        float | None, Duration().option(help="How long a value holds; default three periods.")
    ] = None,
    note: Annotated[str, typer.Option(help="A note, in place of the one that says so.")] = "",
    as_json: AsJson = False,
) -> None:
    """Join a table of values to a recording, as a sensor of its own."""
    from logger.importing.sensor_table import SensorTable
    from logger.joint.bench.bench import SensorSettings
    from logger.settings_file import validate_settings
    from logger.store.repair.post_request import submit_request
    from logger.store.tools.add_sensor import add_sensor

    sensor = name or slug(table.stem, "sensor")
    rows = SensorTable(
        path=table,
        sensor=sensor,
        time=time_column,
        columns=dict(column),
        unit=time_unit,
        start_ns=start.ns if start else None,
    )
    settings = {"name": sensor, "channels": [*dict(column)], "hold_s": hold or rows.hold_time_s()}
    with show_progress(f"Joining {table.name}", None) as at:
        joined = add_sensor(
            recording,
            validate_settings(SensorSettings, settings, "--name"),
            rows,
            progress=at,
            stop=stop_on_signals(),
        )
    submit_request(
        recording, kind="note", text=note or f"{table.name} joined as the sensor {sensor}."
    )
    show(
        {"recording": str(recording), "sensor": sensor, **joined.to_json()},
        _joined_lines(joined, recording, sensor),
        as_json=as_json,
    )


def redecode_recording(
    recording: Recording,
    bench: Annotated[Path, typer.Option(metavar="BENCH", help="The corrected bench file.")],
    limits: Annotated[
        Path | None, typer.Option(help="Other limits than those that were in force.")
    ] = None,
    out: Annotated[
        Path | None,
        RecordingPath().option(help="The new recording folder; default next to the old one."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Decode a recording again from its raw frames, with a corrected bench file."""
    from logger.importing.redecode import redecode_frames
    from logger.joint.bench.bench import read_bench
    from logger.limits.limit import read_limits
    from logger.store.layout.files import real_path

    with show_progress(f"Decoding {recording.name}", 1.0) as at:
        made = redecode_frames(
            recording,
            bench=read_bench(bench),
            out=out or recording.with_name(f"{real_path(recording).name}-redecoded"),
            limits=read_limits(limits) if limits else None,
            progress=at,
            stop=stop_on_signals(),
        )
    show(made.to_json(), _made_lines(made), as_json=as_json)
    _end_if_nothing_was_decoded(made)


def _made_lines(made: "ImportResult") -> Iterator[Line]:
    for notice in made.notices:
        yield notice.text
    reasons = [f"{reason} {count}" for reason, count in made.rejected.items() if count]
    if made.sent:
        reasons.append(f"sent by the program that logged them, so no joint's: {made.sent}")
    why = f" ({', '.join(reasons)})" if reasons else ""
    yield f"Recorded {made.frames} frames into {made.path}; {made.undecoded} not decoded{why}."
    for joint, rows in made.readings.items():
        yield f"  {joint}: {rows} readings"
    if made.decoded_nothing:
        yield (
            f"Nothing was decoded: none of the {made.frames} frames gave a reading of a joint. "
            "Compare identifiers, bus (--channel) and leading bytes with the bench file; "
            "`dutytrace decode` explains one frame, `dutytrace redecode` decodes them again."
        )


def _end_if_nothing_was_decoded(made: "ImportResult") -> None:
    """End with the status of a job that is done, but not in order."""
    if made.decoded_nothing:
        raise typer.Exit(1)


def _joined_lines(joined: "AddResult", recording: Path, sensor: str) -> Iterator[Line]:
    yield f"Joined {joined.rows} readings to {recording} as the sensor {sensor}."
    if joined.outside:
        yield f"{joined.outside} readings before its start or after its end were left out."
