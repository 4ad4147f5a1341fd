"""Tables of values from the command line: imported as recordings, joined to one as a sensor.

What both have in common: the options that say how the table is written.
"""

import shlex
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from logger.cli.options import (
    AsJson,
    Duration,
    Instant,
    KeyValue,
    Moment,
    Pair,
    Recording,
    Shift,
    slug,
)
from logger.cli.terminal import Line, show, show_progress, stop_on_signals
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.importing.tables.import_table import TableImport
    from logger.store.tools.add_sensor import AddResult

__all__ = [
    "ColumnMap",
    "Decimals",
    "Encoding",
    "Hold",
    "Separator",
    "SkipLines",
    "Start",
    "TableOptions",
    "TimeColumns",
    "TimeFormat",
    "TimeUnit",
    "Zone",
    "import_value_table",
    "join_command",
    "join_sensor_table",
]

MAX_NOTE_CHARACTERS: Final = 2000
Start = Annotated[
    Moment | None, Instant().option("--start", help="When its first frame or row was (ISO 8601).")
]
ColumnMap = Annotated[
    list[Pair] | None,
    KeyValue().option(
        "--column",
        metavar="CHANNEL=COLUMN",
        help="Which column of the table is which channel, or how it is made of it: "
        # What stands in brackets would be taken for a style.
        r"'torque_Nm=kg * 9.80665 \[m/s2] * 0.344 \[m]'.",
    ),
]
TimeColumns = Annotated[
    list[str] | None,
    typer.Option(
        "--time",
        metavar="COLUMN",
        help="The column of times; twice for one of dates, one of times.",
    ),
]
TimeUnit = Annotated[
    str | None,
    typer.Option(help="What a time that is a number counts: s, ms, us or ns; default s."),
]
TimeFormat = Annotated[
    str | None,
    typer.Option(help="How a date and time are written, such as '%m/%d/%Y %H:%M:%S'."),
]
Zone = Annotated[
    str | None, typer.Option(help="Time zone of texts that name none: Europe/Berlin; default UTC.")
]
Separator = Annotated[
    str | None, typer.Option(help="What stands between two cells, where it is not found out.")
]
Decimals = Annotated[
    str | None, typer.Option("--decimal", help="What stands before the decimals: . or ,")
]
Encoding = Annotated[str | None, typer.Option(help="How the text is encoded; default utf-8.")]
SkipLines = Annotated[
    int | None, typer.Option(help="Lines before the one that names the columns.", min=0)
]
Hold = Annotated[
    float | None, Duration().option(help="How long a value holds; default three periods.")
]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableOptions:
    """What was typed of how a table is written; None: not typed."""

    time: list[str] | None = None
    time_unit: str | None = None
    time_format: str | None = None
    zone: str | None = None
    separator: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    skip_lines: int | None = None

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a `[table]` that were typed."""
        given = {key: value for key, value in asdict(self).items() if value is not None}
        if given.get("separator") in {"tab", "\\t"}:
            given["separator"] = "\t"
        return given

    @property
    def is_given(self) -> bool:
        """Whether anything was typed."""
        return bool(self.settings)

    @property
    def words(self) -> list[str]:
        """The options as they are typed."""
        words = []
        for key, value in asdict(self).items():
            for one in value if isinstance(value, list) else [] if value is None else [value]:
                words += [f"--{key.replace('_', '-')}", str(one)]
        return words


def join_command(
    recording: str,
    table: Path,
    written: TableOptions,
    columns: Sequence[Pair] | None,
    *,
    hold: float | None,
    name: str | None,
) -> str:
    """Return the command that joins a table to a recording, as somebody types it."""
    words = ["dutytrace", "join", recording, str(table)]
    words += written.words or ["--time", "COLUMN"]
    for pair in columns or [Pair("CHANNEL", "COLUMN")]:
        words += ["--column", f"{pair.key}={pair.value}"]
    words += ["--hold", f"{hold:g}s"] if hold else []
    words += ["--name", name] if name else []
    return shlex.join(words)


def import_value_table(
    table: Path,
    written: TableOptions,
    *,
    bench_path: Path | None,
    joints: Sequence[str],
    columns: Sequence[Pair],
    limits_path: Path | None,
    name: str | None,
    note: str,
    start: Moment | None,
    hold: float | None,
    out: Callable[[int, str], Path],
    as_json: bool,
) -> None:
    """Make a recording of a table, and show what was made.

    `out` returns the new folder for the time of the first row and the title.
    """
    from logger.importing.tables.import_table import import_table, table_bench, value_table
    from logger.limits.limit import LimitSet, check_for_bench, read_limits
    from logger.settings_file import read_text

    text = "" if bench_path is None else read_text(bench_path, "bench file")
    mapped = _columns_by_joint(joints, columns)
    if not text and not mapped:
        join = join_command("REC", table, written, None, hold=hold, name=None)
        raise InputError(
            "--column: found none, expected which column is which channel, and the joint that "
            "they are of with --joint; or the bench file that says so. To join it to a recording: "
            f"{join}"
        )
    if not text and written.time is None:
        raise InputError("--time: found none, expected the table's column of times.")
    bench = table_bench(text, written.settings, mapped, str(bench_path or table), hold_s=hold)
    limits = read_limits(limits_path) if limits_path else LimitSet()
    check_for_bench(limits, bench, str(limits_path))
    title = name or table.name.split(".")[0]
    with show_progress(f"Importing {table.name}", None) as at:
        made = import_table(
            value_table(bench, table, start_ns=start.ns if start else None),
            bench=bench,
            limits=limits,
            out=lambda first_ns: out(first_ns, title),
            name=title,
            note=note,
            progress=at,
            stop=stop_on_signals(),
        )
    show(made.to_json(), _made_lines(made), as_json=as_json)


def _columns_by_joint(joints: Sequence[str], columns: Sequence[Pair]) -> dict[str, dict[str, str]]:
    """Return joint -> channel -> column; a channel may be typed as JOINT.CHANNEL."""
    mapped: dict[str, dict[str, str]] = {joint: {} for joint in joints}
    for pair in columns:
        joint, dot, channel = pair.key.rpartition(".")
        if not dot:
            if len(joints) != 1:
                raise InputError(
                    f"--column: found {pair.key!r} with {len(joints)} joints, expected JOINT."
                    f"CHANNEL=COLUMN, such as {joints[0] if joints else 'shoulder'}.{pair.key}="
                    f"{pair.value}, or one --joint."
                )
            joint = joints[0]
        its = mapped.setdefault(joint, {})
        if channel in its:
            raise InputError(f"--column: found {pair.key!r} twice, expected each channel once.")
        its[channel] = pair.value
    for joint, its in mapped.items():
        if not its:
            raise InputError(f"--joint: found {joint!r} without any --column of it.")
    return mapped


def join_sensor_table(
    recording: Recording,
    table: Annotated[
        Path | None, typer.Argument(metavar="[TABLE]", help="A table of values (.csv, .parquet).")
    ] = None,
    time_column: TimeColumns = None,
    column: ColumnMap = None,
    name: Annotated[
        str | None, typer.Option(help="What the sensor is called; default after the table.")
    ] = None,
    start: Start = None,
    shift: Annotated[
        int | None,
        Shift().option("--shift", help="Add this to the table's times: -1.7s makes them earlier."),
    ] = None,
    time_unit: TimeUnit = None,
    time_format: TimeFormat = None,
    zone: Zone = None,
    separator: Separator = None,
    decimal: Decimals = None,
    encoding: Encoding = None,
    skip_lines: SkipLines = None,
    hold: Hold = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace the sensor of that name.")
    ] = False,
    remove: Annotated[
        str | None, typer.Option(metavar="SENSOR", help="Remove a sensor that was joined.")
    ] = None,
    note: Annotated[str, typer.Option(help="A note, in place of the one that says so.")] = "",
    as_json: AsJson = False,
) -> None:
    """Join a table of values to a recording, as a sensor of its own; or remove one."""
    from logger.store.repair.post_request import submit_request
    from logger.store.tools.add_sensor import add_sensor, remove_sensor

    written = TableOptions(
        time=time_column, time_unit=time_unit, time_format=time_format, zone=zone,
        separator=separator, decimal=decimal, encoding=encoding, skip_lines=skip_lines,
    )  # fmt: skip
    if remove is not None:
        if table is not None or written.is_given or column:
            raise InputError("--remove: found a table beside it, expected one of the two.")
        rows = remove_sensor(recording, remove, stop=stop_on_signals())
        submit_request(recording, kind="note", text=note or f"The sensor {remove} was removed.")
        show(
            {"recording": str(recording), "sensor": remove, "removed": rows},
            [f"Removed the sensor {remove} with {rows} readings from {recording}."],
            as_json=as_json,
        )
        return
    if table is None:
        raise InputError("TABLE: found none, expected a table of values (.csv, .parquet).")
    for option, given in (("--time", time_column), ("--column", column)):
        if not given:
            raise InputError(f"{option}: found none, expected it with a table.")
    from logger.importing.tables.value_table import ValueTable
    from logger.joint.bench.bench import SensorSettings, TableSettings
    from logger.settings_file import validate_settings

    sensor = name or slug(table.stem, "sensor")
    columns = _columns_by_joint([sensor], column or [])
    values = ValueTable(
        path=table,
        settings=validate_settings(TableSettings, written.settings, "the options"),
        columns={sensor: columns[sensor]},
        start_ns=start.ns if start else None,
        shift_ns=shift or 0,
    )
    hold_s = hold or max(values.hold_times_s().get(sensor, {}).values(), default=1.0)
    settings = {"name": sensor, "channels": [*columns[sensor]], "hold_s": hold_s}
    with show_progress(f"Joining {table.name}", None) as at:
        joined = add_sensor(
            recording,
            validate_settings(SensorSettings, settings, "--name"),
            (batch for block in values for batch in block),
            replace=replace,
            progress=at,
            stop=stop_on_signals(),
        )
    moved = f", its times moved by {shift / 1e9:+g} s" if shift else ""
    remarks = values.sentences()
    reported = note or f"{table.name} joined as the sensor {sensor}{moved}."
    submit_request(
        recording, kind="note", text=" ".join([reported, *remarks])[:MAX_NOTE_CHARACTERS]
    )
    show(
        {
            "recording": str(recording), "sensor": sensor, **joined.to_json(),
            "unread": values.unread(), "said": remarks,
        },
        [*_joined_lines(joined, recording, sensor), *remarks],
        as_json=as_json,
    )  # fmt: skip


def _made_lines(made: "TableImport") -> Iterator[Line]:
    yield from made.remarks
    yield f"Recorded {made.rows} rows into {made.path}."
    for joint, rows in made.readings.items():
        yield f"  {joint}: {rows} readings"


def _joined_lines(joined: "AddResult", recording: Path, sensor: str) -> Iterator[Line]:
    yield f"Joined {joined.rows} readings to {recording} as the sensor {sensor}."
    if joined.outside:
        yield f"{joined.outside} readings before its start or after its end were left out."
    yield f"How far its clock is off: dutytrace clock {recording} {sensor}"
