"""What a recording holds beside its readings as one table, CSV or Parquet: cycles, attached files.

Columns carry their units in their names; CSV has times as ISO 8601 in UTC, to the nanosecond.
"""

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import IO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from logger.errors import InputError
from logger.store.layout.cycle_schema import CYCLE_HEAD_SCHEMA
from logger.store.layout.derived_schema import TIME_TYPE, time_field
from logger.store.layout.files import cycles_stream, write_or_raise
from logger.store.reading.attachments import read_attachments
from replay.export import check_new_file, selected_names
from replay.recording import Recording

__all__ = ["ExportedTable", "export_records"]

_FILES_SCHEMA = pa.schema(
    [
        time_field(),
        *(pa.field(name, pa.string(), nullable=False) for name in ("name", "sha256")),
        pa.field("size_bytes", pa.int64(), nullable=False),
        pa.field("attached", TIME_TYPE, nullable=False),
        *(pa.field(name, pa.string(), nullable=False) for name in ("who", "state")),
    ]
)


class ExportedTable(StrEnum):
    """Which table of a recording is written."""

    READINGS = "readings"
    CYCLES = "cycles"
    FILES = "files"


def export_records(
    recording: Recording,
    out: Path,
    which: ExportedTable,
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    joints: Sequence[str] = (),
    replace: bool = False,
) -> int:
    """Write the recorded cycles, or what is known of attached files, of [start_ns, end_ns).

    A cycle belongs to the span in which it ended, a file to that of the time which it shows.

    Returns
    -------
    int
        How many rows the file holds.

    Raises
    ------
    InputError
        No such joint, an empty span, an existing file, an unknown suffix, no recorded cycles.
    OutsideFault
        The file could not be written; none is left.
    """
    check_new_file(out, replace=replace)
    span = (
        recording.start_ns if start_ns is None else start_ns,
        recording.end_ns if end_ns is None else end_ns,
    )
    if span[1] <= span[0]:
        raise InputError("The span is empty: expected --from before --to.")
    if which is ExportedTable.CYCLES:
        table = _cycles(recording, selected_names("--joint", joints, recording.joints), span)
    else:
        # Most are attached after the end, at a time of their own.
        is_whole = start_ns is None and end_ns is None
        table = _files(recording, None if is_whole else span)

    def write_table(file: IO[bytes]) -> None:
        if out.suffix.lower() == ".csv":
            options = pa.csv.WriteOptions(quoting_style="needed")
            pa.csv.write_csv(_with_iso_times(table), file, options)
        else:
            pq.write_table(table, file, compression="zstd")

    write_or_raise(out, write_table, description="the file")
    return int(table.num_rows)


def _cycles(recording: Recording, joints: Sequence[str], span: tuple[int, int]) -> pa.Table:
    tables = []
    for joint in joints:
        stream = cycles_stream(joint)
        if stream not in recording.schemas or recording.span_ns(stream) is None:
            continue
        rows = recording.read_rows(stream, start_ns=span[0], end_ns=span[1])
        names = pa.array([joint] * rows.num_rows, pa.string())
        tables.append(rows.add_column(len(CYCLE_HEAD_SCHEMA), "joint", names))
    if not tables:
        raise InputError(
            f"{recording.path}: found no recorded cycles, expected those of a plan that was "
            "followed. `dutytrace cycles REC --csv FILE` finds them in the readings."
        )
    return pa.concat_tables(tables, promote_options="default")


def _files(recording: Recording, span: tuple[int, int] | None) -> pa.Table:
    rows = [
        {
            "time": one.attachment.time_ns,
            "name": one.attachment.name,
            "sha256": one.attachment.sha256,
            "size_bytes": one.attachment.size,
            "attached": one.attachment.made_ns,
            "who": one.attachment.who,
            "state": str(one.state),
        }
        for one in read_attachments(recording.path)
        if span is None or span[0] <= one.attachment.time_ns < span[1]
    ]
    return pa.Table.from_pylist(rows, schema=_FILES_SCHEMA)


def _with_iso_times(table: pa.Table) -> pa.Table:
    for index, field in enumerate(table.schema):
        if pa.types.is_timestamp(field.type):
            text = pc.strftime(table[field.name], format="%Y-%m-%dT%H:%M:%SZ").cast(pa.string())
            table = table.set_column(index, field.name, text)
    return table
