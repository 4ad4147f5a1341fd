"""A span of a recording as one CSV or Parquet file, in order of time, all joints in one table.

Read and written window by window, so that memory does not grow with the span. The file is written
under another name and renamed when it is complete. Columns carry their units in their names, as in
the recording; CSV has times as ISO 8601 in UTC, to the nanosecond. Every row, or the figures of
steps of one length (`export_steps`), whose times have no more digits than they need. A Parquet
file has the findings of its joints in its metadata.
"""

import json
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from logger.errors import InputError, OutsideFault
from logger.joint.channels import in_channel_order
from logger.settings_file import did_you_mean
from logger.store.layout.files import status_stream, write_or_raise
from logger.store.layout.schema import readings_table, status_schema
from replay.export_steps import check_step, step_schema, step_tables
from replay.recording import Recording

__all__ = ["FINDINGS_KEY", "check_new_file", "export", "selected_names"]

EXPORT_WINDOW_ROWS: Final = 65_536
"""About so many rows of all joints are in memory at a time."""
MIN_EXPORT_WINDOW_NS: Final = 1_000_000
MAX_EXPORT_WINDOW_NS: Final = 60_000_000_000
"""A window does not grow beyond this during a silence: a burst of rows may follow it."""
_TIME_UNITS_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
FINDINGS_KEY: Final = b"dutytrace.findings"
"""Key of a Parquet file's metadata that holds the findings of its joints."""
EXPORT_SUFFIXES: Final = (".csv", ".parquet")


def export(
    recording: Recording,
    out: Path,
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    joints: Sequence[str] = (),
    channels: Sequence[str] = (),
    step_ns: int | None = None,
    replace: bool = False,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> int:
    """Write the readings of [start_ns, end_ns) into a file and return how many rows it holds.

    Parameters
    ----------
    out
        Its suffix decides the format: .csv or .parquet.
    start_ns, end_ns
        None: the start and the end of the recording.
    joints, channels
        Empty: all. A row with none of the given channels is left out.
    step_ns
        Write mean, minimum, maximum and RMS of each step of this length in place of every row.
    replace
        Whether an existing file is replaced.
    progress
        Is called with the share that is done, 0 to 1.
    stop
        Set from another thread to end it.

    Raises
    ------
    InputError
        No such joint or channel, an empty span, an existing file, an unknown suffix.
    OutsideFault
        The file could not be written, or `stop` was set; no file is left.
    """
    if step_ns is not None:
        check_step(step_ns)
    suffix = out.suffix.lower()
    check_new_file(out, replace=replace)
    begin = recording.start_ns if start_ns is None else start_ns
    end = recording.end_ns if end_ns is None else end_ns
    if end <= begin:
        raise InputError("The span is empty: expected --from before --to.")
    joint_names = selected_names("--joint", joints, recording.joints)
    carried = {name for joint in joint_names for name in recording.channels(joint)}
    channel_names = selected_names("--channels", channels, [*in_channel_order(carried)])
    if step_ns is None:
        schema = _export_schema(recording, channel_names)
        tables = _read_windows(
            recording, joint_names, channel_names, (begin, end), drop_empty=bool(channels)
        )
    else:
        schema = step_schema(recording, channel_names)
        tables = step_tables(recording, joint_names, channel_names, (begin, end), step_ns=step_ns)
    findings = _findings_text(recording, joint_names, (begin, end))
    rows = 0

    def write_rows(file: IO[bytes]) -> None:
        nonlocal rows
        with (
            _open_csv_writer(file, schema)
            if suffix == ".csv"
            else _open_parquet_writer(file, schema, findings) as writer
        ):
            for until_ns, table in tables:
                if stop is not None and stop.is_set():
                    raise OutsideFault(f"{out}: stopped before its end; nothing was left behind.")
                rows += table.num_rows
                writer.write_table(
                    _with_iso_times(table, step_ns or 1) if suffix == ".csv" else table
                )
                progress(min((until_ns - begin) / (end - begin), 1.0))

    write_or_raise(out, write_rows, description="the file")
    return rows


def check_new_file(out: Path, *, replace: bool) -> None:
    """Refuse a file that cannot become an export: raises InputError for its suffix or place."""
    if out.suffix.lower() not in EXPORT_SUFFIXES:
        raise InputError(
            f"{out}: found a file that ends in {out.suffix!r}, expected .csv or .parquet."
        )
    if out.is_dir() or (out.exists() and not replace):
        raise InputError(f"{out}: this already exists. Choose another name, or say --force.")
    if not out.parent.is_dir():
        raise InputError(f"{out.parent}: there is no such folder.")


def selected_names(option: str, requested: Sequence[str], available: Sequence[str]) -> list[str]:
    """Return those of `available` that were asked for by an option, all for none of them."""
    for name in requested:
        if name not in available:
            raise InputError(
                f"{option}: found {name!r}, expected one of the recording's."
                f"{did_you_mean(name, list(available))}"
            )
    return [name for name in available if name in requested] if requested else list(available)


def _export_schema(recording: Recording, channels: Sequence[str]) -> pa.Schema:
    status = status_schema(recording.bench)
    return pa.schema(
        [
            status.field("time"),
            pa.field("joint", pa.string(), nullable=False),
            *([status.field("position_segment")] if "position_rad" in channels else []),
            *(status.field(channel) for channel in channels),
        ]
    )


def _read_windows(
    recording: Recording,
    joints: Sequence[str],
    channels: Sequence[str],
    span_ns: tuple[int, int],
    *,
    drop_empty: bool,
) -> Iterator[tuple[int, pa.Table]]:
    """Yield the end of each window and its rows, in order of time."""
    status = status_schema(recording.bench)
    schema = _export_schema(recording, channels)
    # From the first row to the last: the end may be damaged, and far from any of them.
    spans = [span for joint in joints if (span := recording.span_ns(status_stream(joint)))]
    begin = max(span_ns[0], min((first for first, _ in spans), default=span_ns[1]))
    end = min(span_ns[1], max((last + 1 for _, last in spans), default=span_ns[1]))
    width = 1_000_000_000
    while begin < end:
        until = min(begin + width, end)
        joint_tables = []
        for joint in joints:
            joint_channels = set(recording.channels(joint))
            batch = recording.read_readings(
                joint, begin, until, channels=[name for name in channels if name in joint_channels]
            )
            table = pa.Table.from_batches([readings_table(batch, status)])
            names = pa.array([joint] * table.num_rows, pa.string())
            joint_tables.append(
                table.append_column("joint", names).select(schema.names).cast(schema)
            )
        rows = pa.concat_tables(joint_tables)
        row_count = rows.num_rows
        if drop_empty:
            rows = rows.filter(_rows_with_values(rows, channels))
        if len(joints) > 1:
            # The sort is stable: rows of the same time keep the order of the bench.
            order = pc.sort_indices(rows, sort_keys=[("time", "ascending")])
            rows = rows.take(order)
        yield until, rows
        begin = until
        # The next window is sized to hold so many rows at the present rate, at most eight times
        # wider or narrower than this one.
        width = round(width * min(max(EXPORT_WINDOW_ROWS / max(row_count, 1), 0.125), 8.0))
        width = min(max(width, MIN_EXPORT_WINDOW_NS), MAX_EXPORT_WINDOW_NS)


def _rows_with_values(table: pa.Table, channels: Sequence[str]) -> pa.ChunkedArray:
    """Return for each row whether it has a value in any of the channels."""
    has_value = pc.is_valid(table[channels[0]])
    for channel in channels[1:]:
        has_value = pc.or_(has_value, pc.is_valid(table[channel]))
    return has_value


def _open_csv_writer(file: IO[bytes], schema: pa.Schema) -> pa.csv.CSVWriter:
    file.write((",".join(schema.names) + "\n").encode())
    # Names of joints and channels need no quotes; numbers are the shortest that read back the same.
    options = pa.csv.WriteOptions(include_header=False, quoting_style="none")
    return pa.csv.CSVWriter(
        file, schema.set(0, pa.field("time", pa.string())), write_options=options
    )


def _open_parquet_writer(file: IO[bytes], schema: pa.Schema, findings: str) -> pq.ParquetWriter:
    metadata = {**(schema.metadata or {}), FINDINGS_KEY: findings.encode()}
    return pq.ParquetWriter(file, schema.with_metadata(metadata), compression="zstd")


def _findings_text(recording: Recording, joints: Sequence[str], span_ns: tuple[int, int]) -> str:
    """Return the current findings of joints that stand on a span, as a list in JSON."""
    return json.dumps(
        [
            one.model_dump(mode="json")
            for one in recording.read_findings().current
            if one.joint in joints and (not one.spans or one.overlaps(*span_ns))
        ]
    )


def _with_iso_times(table: pa.Table, step_ns: int) -> pa.Table:
    """Return the times as text, with the digits that multiples of `step_ns` have."""
    unit = next(unit for unit, unit_ns in _TIME_UNITS_NS.items() if step_ns % unit_ns == 0)
    times = table["time"].cast(pa.timestamp(unit, "UTC"))
    return table.set_column(
        0, "time", pc.strftime(times, format="%Y-%m-%dT%H:%M:%SZ").cast(pa.string())
    )
