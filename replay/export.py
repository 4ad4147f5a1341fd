"""A span of a recording as one CSV or Parquet file, in order of time, all joints in one table.

Read and written window by window, so that memory does not grow with the span. The file is there
when it is whole: it is written aside and renamed. Columns carry their units in their names, as in
the recording; CSV gives times as ISO 8601 in UTC, to the nanosecond.
"""

import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from logger.errors import InputError, OutsideFault
from logger.joint.channels import CHANNELS
from logger.settings_file import nearest
from logger.store.layout.files import put_or_say
from logger.store.layout.schema import readings_table, status_schema
from replay.recording import Recording

__all__ = ["export"]

WINDOW_ROWS: Final = 65_536
"""Rows of all joints that are in memory at a time, about."""
SHORTEST_NS: Final = 1_000_000
LONGEST_NS: Final = 60_000_000_000
"""Behind a long silence a burst may come: a window does not grow for ever."""
FORMATS: Final = (".csv", ".parquet")


def export(
    recording: Recording,
    out: Path,
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    joints: Sequence[str] = (),
    channels: Sequence[str] = (),
    replace: bool = False,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> int:
    """Write the readings of [start_ns, end_ns) into a file and return how many rows it holds.

    Parameters
    ----------
    out
        Its ending says the format: .csv or .parquet.
    start_ns, end_ns
        None: the recording's beginning, its end.
    joints, channels
        Which; none: all. A row that holds none of the channels asked for is left out.
    replace
        Take the place of a file that is there.
    progress
        Called with the share that is done, 0 to 1.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        No such joint or channel, an empty span, a file that is there, an unknown ending.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    suffix = out.suffix.lower()
    if suffix not in FORMATS:
        raise InputError(
            f"{out}: found a file that ends in {out.suffix!r}, expected .csv or .parquet."
        )
    if out.is_dir() or (out.exists() and not replace):
        raise InputError(f"{out}: this already exists. Choose another name, or say --force.")
    if not out.parent.is_dir():
        raise InputError(f"{out.parent}: there is no such folder.")
    begin = recording.start_ns if start_ns is None else start_ns
    end = recording.end_ns if end_ns is None else end_ns
    if end <= begin:
        raise InputError("The span is empty: expected --from before --to.")
    chosen = _chosen("--joint", joints, recording.joints)
    carried = {name for joint in chosen for name in recording.channels(joint)}
    wanted = _chosen("--channels", channels, [name for name in CHANNELS if name in carried])
    tables = _windows(recording, chosen, wanted, (begin, end), asked=bool(channels))
    rows = 0

    def written(file: IO[bytes]) -> None:
        nonlocal rows
        schema = _schema(recording, wanted)
        with _csv(file, schema) if suffix == ".csv" else _parquet(file, schema) as writer:
            for until_ns, table in tables:
                if stop is not None and stop.is_set():
                    raise OutsideFault(f"{out}: stopped before its end; nothing was left behind.")
                rows += table.num_rows
                writer.write_table(_iso(table) if suffix == ".csv" else table)
                progress((until_ns - begin) / (end - begin))

    put_or_say(out, written, what="the file")
    return rows


def _chosen(option: str, asked: Sequence[str], known: Sequence[str]) -> list[str]:
    for name in asked:
        if name not in known:
            raise InputError(
                f"{option}: found {name!r}, expected one of the recording's."
                f"{nearest(name, list(known))}"
            )
    return [name for name in known if name in asked] if asked else list(known)


def _schema(recording: Recording, channels: Sequence[str]) -> pa.Schema:
    status = status_schema(recording.bench)
    return pa.schema(
        [
            status.field("time"),
            pa.field("joint", pa.string(), nullable=False),
            *([status.field("position_segment")] if "position_rad" in channels else []),
            *(status.field(channel) for channel in channels),
        ]
    )


def _windows(
    recording: Recording,
    joints: Sequence[str],
    channels: Sequence[str],
    span_ns: tuple[int, int],
    *,
    asked: bool,
) -> Iterator[tuple[int, pa.Table]]:
    """Yield the end of each window and its rows, in order of time."""
    status = status_schema(recording.bench)
    schema = _schema(recording, channels)
    begin, end = span_ns
    width = 1_000_000_000
    while begin < end:
        until = min(begin + width, end)
        found = []
        for joint in joints:
            own = set(recording.channels(joint))
            batch = recording.readings(
                joint, begin, until, channels=[name for name in channels if name in own]
            )
            table = pa.Table.from_batches([readings_table(batch, status)])
            names = pa.array([joint] * table.num_rows, pa.string())
            found.append(table.append_column("joint", names).select(schema.names).cast(schema))
        rows = pa.concat_tables(found)
        seen = rows.num_rows
        if asked:
            rows = rows.filter(_held(rows, channels))
        if len(joints) > 1:
            # Stable: of one time in the bench's order.
            order = pc.sort_indices(rows, sort_keys=[("time", "ascending")])
            rows = rows.take(order)
        yield until, rows
        begin = until
        # Towards windows of that many rows, in steps of at most eight times.
        width = round(width * min(max(WINDOW_ROWS / max(seen, 1), 0.125), 8.0))
        width = min(max(width, SHORTEST_NS), LONGEST_NS)


def _held(table: pa.Table, channels: Sequence[str]) -> pa.ChunkedArray:
    """Return which rows hold any of the channels."""
    held = pc.is_valid(table[channels[0]])
    for channel in channels[1:]:
        held = pc.or_(held, pc.is_valid(table[channel]))
    return held


def _csv(file: IO[bytes], schema: pa.Schema) -> pa.csv.CSVWriter:
    file.write((",".join(schema.names) + "\n").encode())
    # Names of joints and channels need no quotes; numbers are the shortest that read back the same.
    options = pa.csv.WriteOptions(include_header=False, quoting_style="none")
    return pa.csv.CSVWriter(
        file, schema.set(0, pa.field("time", pa.string())), write_options=options
    )


def _parquet(file: IO[bytes], schema: pa.Schema) -> pq.ParquetWriter:
    return pq.ParquetWriter(file, schema, compression="zstd")


def _iso(table: pa.Table) -> pa.Table:
    return table.set_column(
        0, "time", pc.strftime(table["time"], format="%Y-%m-%dT%H:%M:%SZ").cast(pa.string())
    )
