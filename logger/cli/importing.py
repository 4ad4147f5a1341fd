"""Recordings made from files: `dutytrace import` and `redecode`."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import (
    DEFAULT_RECORDINGS,
    AsJson,
    KeyValue,
    NewFolder,
    Pair,
    Recording,
    RecordingPath,
    Recordings,
    recording_folder_name,
)
from logger.cli.tables import (
    ColumnMap,
    Decimals,
    Encoding,
    Hold,
    Separator,
    SkipLines,
    Start,
    TableOptions,
    TimeColumns,
    TimeFormat,
    TimeUnit,
    Zone,
    import_value_table,
    join_command,
)
from logger.cli.terminal import Line, show, show_progress, stop_on_signals
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.importing.import_frames import ImportResult

__all__ = ["import_log", "redecode_recording"]


def import_log(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="A log that python-can reads, or a table (.csv, .parquet)."
        ),
    ],
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
    joint: Annotated[
        list[str] | None, typer.Option(help="Of a table: a joint that it is of; several times.")
    ] = None,
    column: ColumnMap = None,
    time_column: TimeColumns = None,
    time_unit: TimeUnit = None,
    time_format: TimeFormat = None,
    zone: Zone = None,
    separator: Separator = None,
    decimal: Decimals = None,
    encoding: Encoding = None,
    skip_lines: SkipLines = None,
    hold: Hold = None,
    into: Annotated[str | None, typer.Option("--into", hidden=True)] = None,
    as_json: AsJson = False,
) -> None:
    """Make a recording of a log of frames, or of a table of values."""
    written = TableOptions(
        time=time_column, time_unit=time_unit, time_format=time_format, zone=zone,
        separator=separator, decimal=decimal, encoding=encoding, skip_lines=skip_lines,
    )  # fmt: skip
    if into is not None:
        raise InputError(
            "--into: a table is joined to a recording by `dutytrace join`. Write: "
            f"{join_command(into, source, written, column, hold=hold, name=name)}"
        )
    from logger.importing.tables.table_file import is_table_name
    from logger.joint.bench.bench import read_bench

    the_bench = read_bench(bench) if bench is not None else None
    has_table = the_bench is not None and the_bench.table is not None
    if written.is_given or column or joint or has_table or source.suffix.lower() == ".parquet":
        if the_bench is not None and not has_table:
            raise InputError(
                f"--bench: {bench}: found a bench with buses, expected for a table one with "
                "[table] in place of [bus], or none beside --joint and --column."
            )
        import_value_table(
            source, written, bench_path=bench, joints=joint or [], columns=column or [],
            limits_path=limits, name=name, note=note, start=start, hold=hold, as_json=as_json,
            out=lambda first_ns, title: out or recordings / recording_folder_name(first_ns, title),
        )  # fmt: skip
        return
    if the_bench is None:
        hint = (
            " Of a table of values say --time, --joint and --column."
            if is_table_name(source)
            else ""
        )
        raise InputError(
            f"--bench: found none, expected the bench file that explains the frames.{hint}"
        )
    from logger.importing.import_frames import import_frames
    from logger.importing.log_frames import LogFrames
    from logger.limits.limit import LimitSet, check_for_bench, read_limits

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
