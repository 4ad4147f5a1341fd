"""Whether rows that were read are such as a recorder writes: columns, types, nulls and bounds.

Checksums tell that bytes are those that were written, not who wrote them. Rows that do not fit
would end whatever computes with them, far from the file that they are in. Pure.
"""

from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS

__all__ = ["MAX_ROW_NUMBER", "rows_fault"]

MAX_ROW_NUMBER: Final = 10**12
"""Rows of a stream are numbered below this: the name of a part has twelve digits for each end."""
_MAX_PAYLOAD_BYTES: Final = 64
"""Of a CAN FD frame."""


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
    names = batch.schema.names
    if len(set(names)) != len(names):
        return "found two columns of one name"
    if "time" not in names[:1]:
        return "found no column of times, expected it first"
    for field in schema:
        if field.name not in names:
            continue
        column = batch.column(field.name)
        if column.type != field.type:
            return f"{field.name}: found {column.type}, expected {field.type}"
        if column.null_count and not field.nullable:
            return f"{field.name}: found rows without a value"
        if pa.types.is_binary(field.type) and (
            (pc.max(pc.binary_length(column)).as_py() or 0) > _MAX_PAYLOAD_BYTES
        ):
            return f"{field.name}: found more than {_MAX_PAYLOAD_BYTES} bytes in a frame"
    if batch.num_rows:
        times = pc.min_max(batch.column("time").cast(pa.int64()))
        if times["min"].as_py() < TIME_MIN_NS or times["max"].as_py() > TIME_MAX_NS:
            return "time: found one that no clock shows"
    return ""
