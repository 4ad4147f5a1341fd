"""The columns of every stream of a recording, as Arrow schemas.

The table in DEVELOPERS.md is generated from here. Units are in the names; their UCUM codes, and for
a derived channel what it is derived from, are in the field metadata.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from logger.errors import InputError
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench
from logger.joint.channels import channel_named, in_channel_order
from logger.store.layout.cycle_schema import (
    CYCLE_RULE_SCHEMA,
    PROGRESS_SCHEMA,
    cycles_schema,
)
from logger.store.layout.derived_schema import (
    COURSE_SCHEMA,
    DERIVED_SCHEMA,
    FORECAST_SCHEMA,
    TIME_TYPE,
    time_field,
)
from logger.store.layout.files import (
    course_stream,
    cycle_rules_stream,
    cycles_stream,
    derived_stream,
    forecast_stream,
    status_stream,
)

__all__ = [
    "BUS_SCHEMA",
    "COURSE_SCHEMA",
    "DERIVED_SCHEMA",
    "EVENT_SCHEMA",
    "FORECAST_SCHEMA",
    "FRAME_SCHEMA",
    "HEALTH_SCHEMA",
    "TIME_TYPE",
    "ReadingsTable",
    "conform",
    "frames_from_table",
    "frames_table",
    "readings_from_table",
    "readings_table",
    "row_mapping",
    "rows_between",
    "status_schema",
    "stream_schemas",
    "table_of_rows",
]

_DOUBLE: Final = pa.float64()
_CODE: Final = pa.int64()


FRAME_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("identifier", pa.uint32(), nullable=False),
        pa.field("flags", pa.uint8(), nullable=False),
        pa.field("data", pa.binary(), nullable=False),
        pa.field("bus", pa.uint8(), nullable=False),
    ]
)
"""Every raw frame; flags: 1 extended, 2 remote, 4 error, 8 FD, 16 sent by the recorder; `bus`: the
index in the bench's list of buses."""

EVENT_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("sequence", pa.int64(), nullable=False),
        pa.field("kind", pa.string(), nullable=False),
        pa.field("joint", pa.string()),
        pa.field("limit", pa.string()),
        pa.field("severity", pa.string()),
        pa.field("alert", pa.int64()),
        pa.field("channel", pa.string()),
        pa.field("value", pa.float64()),
        pa.field("text", pa.string()),
        pa.field("who", pa.string()),
        pa.field("duration_s", pa.float64(), metadata={b"ucum": b"s"}),
        pa.field("bus", pa.uint8()),
        pa.field("frame", pa.string()),
        pa.field("request", pa.string()),
        pa.field("anchor", pa.string()),
        pa.field("stage", pa.string()),
    ]
)
"""Events; `kind` and `anchor`: `logger.event_kind`; `bus`: index in the bench's list of buses;
`frame`: the kind of frame that reported it; `request`: name of the request that became the event;
`stage`: the stage of the plan that it tells of.
Recorders before these three columns (bus, frame, request) wrote them into the sentence only:
`logger.store.layout.older_events`."""

HEALTH_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("frames_per_s", pa.float64(), metadata={b"ucum": b"Hz"}),
        pa.field("bus_load", pa.float64(), metadata={b"ucum": b"1"}),
        pa.field("dropped", pa.int64()),
        pa.field("undecoded", pa.int64()),
        pa.field("disk_left_h", pa.float64(), metadata={b"ucum": b"h"}),
    ]
)
"""Health of the recorder, once a second."""

BUS_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("bus", pa.uint8(), nullable=False),
        pa.field("frames_per_s", pa.float64(), metadata={b"ucum": b"Hz"}),
        pa.field("load", pa.float64(), metadata={b"ucum": b"1"}),
        pa.field("error_frames", pa.int64()),
        pa.field("remote_frames", pa.int64()),
        pa.field("lost", pa.int64()),
        pa.field("garbled", pa.int64()),
        pa.field("unanswered", pa.int64()),
    ]
)
"""Each bus, once a second; `lost`, `garbled` and `unanswered` (requests of the recorder that were
not answered in time) count from the start of the recording."""


def status_schema(bench: Bench) -> pa.Schema:
    """Return the columns of decoded readings: the channels of all joints of a bench.

    One schema for all joints, so that the status folder reads as one table; a channel that a joint
    does not have is null and takes no space.
    """
    bench_channels = {channel for joint in bench.joints for channel in bench.channels_of(joint)}
    derived = [
        f"{joint.name} {joint.torque.per_ampere:g}"
        for joint in bench.joints
        if joint.torque is not None
        and (bench.derives_torque(joint) or joint.per_mille.torque == "current")
    ]
    fields = [time_field(), pa.field("position_segment", pa.int32())]
    for channel in map(channel_named, in_channel_order(bench_channels)):
        metadata = {b"ucum": channel.ucum.encode()}
        if channel.quantity == "current":
            joint_text = ", ".join(
                f"{joint.name} {joint.current.convention}"
                for joint in bench.joints
                if joint.name not in bench.sensors
            )
            metadata[b"convention"] = joint_text.encode()
        if channel.name == "torque_Nm" and derived:
            metadata[b"derived"] = f"current_A times N.m per ampere: {', '.join(derived)}".encode()
        kind = pa.int64() if channel.whole else pa.float64()
        fields.append(pa.field(channel.name, kind, metadata=metadata))
    return pa.schema(fields)


def stream_schemas(bench: Bench) -> dict[str, pa.Schema]:
    """Return every stream of a recording of that bench with its columns."""
    status = status_schema(bench)
    streams = {
        "frames": FRAME_SCHEMA,
        "events": EVENT_SCHEMA,
        "health": HEALTH_SCHEMA,
        "buses": BUS_SCHEMA,
        "progress": PROGRESS_SCHEMA,
    }
    for joint in bench.joints:
        streams[status_stream(joint.name)] = status
        streams[derived_stream(joint.name)] = DERIVED_SCHEMA
        if joint.thermal is not None:
            streams[forecast_stream(joint.name)] = FORECAST_SCHEMA
            streams[course_stream(joint.name)] = COURSE_SCHEMA
        if joint.name not in bench.sensors:
            has_winding = joint.winding is not None
            channels = bench.channels_of(joint)
            streams[cycles_stream(joint.name)] = cycles_schema(channels, has_winding=has_winding)
            streams[cycle_rules_stream(joint.name)] = CYCLE_RULE_SCHEMA
    return streams


_BYTE_OFFSETS: Final = np.arange(64)


def frames_table(batch: FrameBatch) -> pa.RecordBatch:
    """Return frames as rows of the `frames` stream."""
    n, width = batch.data.shape
    offsets = np.zeros(n + 1, np.int32)
    np.cumsum(batch.length, out=offsets[1:])
    if offsets[-1] == n * width:
        payload_data = np.ascontiguousarray(batch.data)
    else:
        payload_data = batch.data[_BYTE_OFFSETS[:width] < batch.length[:, None]]
    payload = pa.Array.from_buffers(
        pa.binary(), n, [None, pa.py_buffer(offsets), pa.py_buffer(payload_data)]
    )
    return pa.RecordBatch.from_arrays(
        [
            _arrow_array(batch.time_ns, TIME_TYPE),
            _arrow_array(batch.identifier, pa.uint32()),
            _arrow_array(batch.flags, pa.uint8()),
            payload,
            _arrow_array(batch.bus, pa.uint8()),
        ],
        schema=FRAME_SCHEMA,
    )


def _arrow_array(values: NDArray[Any], kind: pa.DataType) -> pa.Array:
    """Return values as an Arrow array without copying them.

    By buffers, because `pa.array` would load pandas where it is installed.
    """
    return pa.Array.from_buffers(
        kind, len(values), [None, pa.py_buffer(np.ascontiguousarray(values))]
    )


def frames_from_table(table: pa.Table) -> FrameBatch:
    """Return rows of the `frames` stream as frames."""
    payload = table["data"].combine_chunks()
    if isinstance(payload, pa.ChunkedArray):
        payload = pa.concat_arrays(payload.chunks or [pa.array([], pa.binary())])
    n = len(payload)
    _, offsets_buffer, bytes_buffer = payload.buffers()
    offsets = np.frombuffer(offsets_buffer, np.int32, n + 1, payload.offset * 4)
    length = np.diff(offsets)
    if n and length.max() > len(_BYTE_OFFSETS):
        raise InputError(
            f"frames: found {length.max()} bytes in a frame, expected at most "
            f"{len(_BYTE_OFFSETS)}: no recorder wrote these rows."
        )
    width = 8 if n == 0 or length.max() <= 8 else 64
    data = np.zeros((n, width), np.uint8)
    if bytes_buffer is not None:
        in_payload = np.arange(width)[None, :] < length[:, None]
        data[in_payload] = np.frombuffer(bytes_buffer, np.uint8)[offsets[0] : offsets[-1]]
    return FrameBatch(
        time_ns=table["time"].cast(pa.int64()).to_numpy(),
        identifier=table["identifier"].to_numpy(),
        flags=table["flags"].to_numpy(),
        length=length.astype(np.uint8),
        data=data,
        bus=table["bus"].to_numpy(),
    )


class ReadingsTable:
    """Makes rows of a `status` stream of readings; what depends on its columns is found once."""

    def __init__(self, schema: pa.Schema) -> None:
        self._schema = schema
        self._channels = tuple(
            (place, field.name, field.type == _CODE)
            for place, field in enumerate(schema)
            if field.name not in {"time", "position_segment"}
        )
        self._types = tuple(field.type for field in schema)
        self._time_place = schema.get_field_index("time")
        self._segment_place = schema.get_field_index("position_segment")

    def rows(self, batch: ReadingBatch) -> pa.RecordBatch:
        """Return readings as rows; NaN becomes null."""
        n, columns = len(batch), batch.columns
        arrays: list[pa.Array | None] = [None] * len(self._types)
        arrays[self._time_place] = _arrow_array(batch.time_ns, TIME_TYPE)
        segment = batch.position_segment
        arrays[self._segment_place] = _nullable_array(segment, pa.int32(), segment >= 0)
        present = [channel for channel in self._channels if channel[1] in columns]
        if present and n:
            # All columns in one array: what follows costs a few operations for all of them.
            values = np.array([columns[name] for _, name, _ in present])
            has_value = values == values  # noqa: PLR0124 - NaN alone is not
            counts = np.add.reduce(has_value, axis=1).tolist()
            bits = pa.py_buffer(np.packbits(has_value, axis=1, bitorder="little"))
            content = pa.py_buffer(values)
            bit_bytes, value_bytes = -(-n // 8), 8 * n
            for row, (place, _, is_code) in enumerate(present):
                if counts[row] == 0:
                    continue
                validity = bits.slice(row * bit_bytes, bit_bytes) if counts[row] < n else None
                kind, column = _DOUBLE, content.slice(row * value_bytes, value_bytes)
                if is_code:
                    kind, column = _CODE, pa.py_buffer(_as_codes(values[row], has_value[row]))
                arrays[place] = pa.Array.from_buffers(
                    kind, n, [validity, column], null_count=n - counts[row]
                )
        columns_or_nulls = [
            pa.nulls(n, kind) if array is None else array
            for array, kind in zip(arrays, self._types, strict=True)
        ]
        return pa.RecordBatch.from_arrays(columns_or_nulls, schema=self._schema)


def readings_table(batch: ReadingBatch, schema: pa.Schema) -> pa.RecordBatch:
    """Return readings as rows of a `status` stream with that schema; NaN becomes null."""
    return ReadingsTable(schema).rows(batch)


def _as_codes(values: NDArray[np.float64], has_value: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return codes as whole numbers, 0 where there is none.

    Raises
    ------
    pyarrow.ArrowInvalid
        One of them is no whole number, or too large to be one.
    """
    filled = np.where(has_value, values, 0.0)
    with np.errstate(invalid="ignore"):
        codes = filled.astype(np.int64)
    if np.count_nonzero(codes != filled):
        raise pa.ArrowInvalid(f"found a code that is no whole number among {values.tolist()}")
    return codes


def _nullable_array(
    values: NDArray[Any], kind: pa.DataType, has_value: NDArray[np.bool_]
) -> pa.Array:
    """Return values as an Arrow array without copying them; null where they have no value."""
    if np.logical_and.reduce(has_value):
        return _arrow_array(values, kind)
    bits = pa.py_buffer(np.packbits(has_value, bitorder="little"))
    return pa.Array.from_buffers(
        kind, len(values), [bits, pa.py_buffer(np.ascontiguousarray(values))]
    )


def row_mapping(row: pa.Table | pa.RecordBatch) -> dict[str, object]:
    """Return one row as a mapping, times in ns: as objects they would need pandas."""
    return {
        name: (column.cast(pa.int64()) if pa.types.is_timestamp(column.type) else column)[0].as_py()
        for name, column in zip(row.schema.names, row.columns, strict=True)
    }


def conform(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Return a table with the columns of a schema; those that an older writer lacked are null.

    A column that cannot be null is filled with 0.
    """
    for field in schema:
        if field.name not in table.column_names:
            empty = pa.nulls(table.num_rows, field.type)
            # The column `bus`, in recordings from when there was only one bus.
            table = table.append_column(field, empty if field.nullable else empty.fill_null(0))
    return table.select(schema.names).cast(schema)


def rows_between(table: pa.Table, start_ns: int, end_ns: int) -> pa.Table:
    """Return the rows of a time-ordered table in [start_ns, end_ns)."""
    times = table["time"].cast(pa.int64())
    if len(times) and times[0].as_py() >= start_ns and times[-1].as_py() < end_ns:
        return table
    numbers = times.to_numpy()
    low, high = numbers.searchsorted([start_ns, end_ns])
    return table.slice(int(low), int(high - low))


def table_of_rows(values: Sequence[dict[str, object]], schema: pa.Schema) -> pa.RecordBatch:
    """Return a few rows, given as mappings, as a record batch."""
    return pa.RecordBatch.from_pylist(list(values), schema=schema)


def _codes_as_numbers(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return codes as doubles; null for those of more bits than a double holds exactly."""
    try:
        return column.cast(pa.float64())
    except pa.ArrowInvalid:
        fits = pc.and_(pc.less_equal(column, 2**53), pc.greater_equal(column, -(2**53)))
        return pc.if_else(fits, column, pa.scalar(None, column.type)).cast(pa.float64())


def readings_from_table(joint: str, table: pa.Table) -> ReadingBatch:
    """Return rows of a `status` stream as readings; null becomes NaN, a missing segment -1."""
    columns = {}
    segment = np.full(table.num_rows, -1, np.int32)
    time_ns = np.empty(0, np.int64)
    for name in table.column_names:
        column = table[name]
        if name == "time":
            time_ns = column.cast(pa.int64()).to_numpy()
        elif name == "position_segment":
            segment = column.fill_null(-1).to_numpy()
        else:
            if column.type != pa.float64():
                column = _codes_as_numbers(column)
            columns[name] = (
                column.to_numpy(zero_copy_only=False) if column.null_count else (column.to_numpy())
            )
    return ReadingBatch(joint=joint, time_ns=time_ns, position_segment=segment, columns=columns)
