"""Whether rows that were read are such as a recorder writes: columns, types, nulls and bounds.

Checksums tell that bytes are those that were written, not who wrote them. Rows that do not fit
would end whatever computes with them, far from the file that they are in. Pure.
"""

from collections.abc import Callable
from functools import partial
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS

__all__ = ["MAX_ROW_NUMBER", "footer_check", "footer_fault", "footer_schema", "rows_fault"]

MAX_ROW_NUMBER: Final = 10**12
"""Rows of a stream are numbered below this: the name of a part has twelve digits for each end."""
_ALWAYS_WRITTEN: Final = frozenset(
    (
        *("position_segment", "joint", "limit", "severity", "alert", "channel", "value", "text"),
        *("who", "duration_s"),
    )
)
"""Columns without a value in some rows that every recorder wrote all the same. `bus` came later."""
_MAX_PAYLOAD_BYTES: Final = 64
"""Of a CAN FD frame."""


def footer_check(schema: pa.Schema) -> Callable[[pq.FileMetaData], str]:
    """Return `footer_fault` for the columns of a stream."""
    return partial(footer_fault, schema=schema)


def footer_schema(footer: pq.FileMetaData) -> pq.ParquetSchema:
    """Return the columns of a footer, so that the footer goes when it is let go.

    Its own `schema` holds the footer and is held by it: both stay until Python looks for circles,
    which it does by how many objects there are and not by how large they are. A server that reads
    the footers of months held hundreds of megabytes so.
    """
    return pq.ParquetSchema(footer)


def footer_fault(footer: pq.FileMetaData, schema: pa.Schema) -> str:
    """Return what is wrong about the columns of a part, by its footer; "" for nothing.

    Parameters
    ----------
    footer
        The footer; columns that an older writer lacked may be missing, further ones are ignored.
    schema
        The columns of the stream.
    """
    found = footer_schema(footer).to_arrow_schema()
    fault = _columns_fault(found, schema)
    if fault or footer.num_columns != len(found.names):
        return fault or "found columns within columns"
    for group in range(footer.num_row_groups):
        row_group = footer.row_group(group)
        for index, name in enumerate(found.names):
            statistics = row_group.column(index).statistics
            if statistics is None or name not in schema.names:
                continue
            has_nulls = statistics.has_null_count and statistics.null_count > 0
            if has_nulls and not schema.field(name).nullable:
                return f"{name}: found rows without a value"
            if index == 0 and statistics.has_min_max:
                times = (int(statistics.min_raw), int(statistics.max_raw))
                if fault := _times_fault(min(times), max(times)):
                    return fault
    return ""


def _columns_fault(found: pa.Schema, schema: pa.Schema) -> str:
    if len(set(found.names)) != len(found.names):
        return "found two columns of one name"
    if "time" not in found.names[:1]:
        return "found no column of times, expected it first"
    for field in schema:
        if field.name not in found.names:
            if field.name in _ALWAYS_WRITTEN or not (field.nullable or field.name == "bus"):
                return f"found no column {field.name}"
        elif found.field(field.name).type != field.type:
            return f"{field.name}: found {found.field(field.name).type}, expected {field.type}"
    return ""


def _times_fault(first_ns: int, last_ns: int) -> str:
    is_shown = first_ns >= TIME_MIN_NS and last_ns <= TIME_MAX_NS
    return "" if is_shown else "time: found one that no clock shows"


def rows_fault(batch: pa.RecordBatch, schema: pa.Schema, *, first_row: int) -> str:
    """Return what is wrong about rows of a stream, as half a sentence; "" for nothing.

    Parameters
    ----------
    batch
        The rows; columns that an older writer lacked may be missing, further ones are ignored.
    schema
        The columns of the stream.
    first_row
        Number of the first row.
    """
    if not 0 <= first_row <= MAX_ROW_NUMBER - batch.num_rows:
        return f"found row number {first_row}, expected at most {MAX_ROW_NUMBER}"
    fault = _columns_fault(batch.schema, schema)
    if fault:
        return fault
    for field in schema:
        if field.name not in batch.schema.names:
            continue
        column = batch.column(field.name)
        if column.null_count and not field.nullable:
            return f"{field.name}: found rows without a value"
        if pa.types.is_binary(field.type) and (
            (pc.max(pc.binary_length(column)).as_py() or 0) > _MAX_PAYLOAD_BYTES
        ):
            return f"{field.name}: found more than {_MAX_PAYLOAD_BYTES} bytes in a frame"
    if batch.num_rows:
        times = pc.min_max(batch.column("time").cast(pa.int64()))
        return _times_fault(times["min"].as_py(), times["max"].as_py())
    return ""
