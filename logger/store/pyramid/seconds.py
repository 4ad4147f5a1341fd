"""The pyramid's first level: statistics of each second, channel by channel.

It grows with every sealed part. A value is counted when the next one shows how long it held, so the
last value of each channel is carried to the next part, in the file's metadata, together with the
joint's gaps. Coarser levels are made from this one (see `upper`).
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import BaseModel, Field

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets, merge_buckets, to_buckets
from logger.outside_text import parse_json
from logger.store.layout.row_check import footer_schema
from logger.store.layout.schema import TIME_TYPE

__all__ = [
    "BASE_NS",
    "TENTHS_COLUMNS",
    "PyramidCarry",
    "add_rows",
    "bucket_columns",
    "buckets_of_tables",
    "carry_from",
    "channel_table",
    "channels_of_tables",
    "final_until",
    "gap_limit_ns",
    "overview_fault",
    "overview_table",
]

BASE_NS: Final = 1_000_000_000
"""Width of a bucket of the first level. Only fast joints have finer ones: see `tenths`."""
_CARRY_KEY: Final = b"dutytrace overview"
_OVERVIEW_COLUMNS: Final = ("n", "duration_s", "mean", "m2", "minimum", "maximum", "first", "last")
TENTHS_COLUMNS: Final = ("n", "held_ns", "above", "minimum", "maximum", "first", "last")
"""Columns of a channel in the level of tenths (see `tenths`)."""
MIN_GAP_NS: Final = 300_000_000
"""A silence shorter than this is no gap, however short the hold times are."""


_TimeNs = Annotated[int, Field(ge=TIME_MIN_NS, le=TIME_MAX_NS)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PyramidCarry:
    """What one part of the level carries over to the next: values whose hold is not over."""

    last: Mapping[str, tuple[int, float]] = field(default_factory=dict)
    """Channel -> time and value of its newest reading, not yet counted."""
    last_row_ns: int | None = None
    """Time of the newest row of any channel."""
    gaps: tuple[tuple[int, int], ...] = ()
    """Spans within this part without any frame of the joint, as (start_ns, end_ns)."""
    is_closed: bool = False
    """The recording ended here: nothing is left to count."""
    has_tenths: bool = False
    """Tenths of a second were written for this part as well (see `tenths`)."""
    vouches: bool = False
    """Of an upper level: the finer parts below were whole when it was made of them, and `gaps` are
    theirs, so that nobody has to open them to know."""

    def to_metadata(self) -> bytes:
        """Return it as JSON, for the metadata of a file."""
        return json.dumps(
            {
                "last": {name: list(pair) for name, pair in self.last.items()},
                "last_row_ns": self.last_row_ns,
                "gaps": [list(gap) for gap in self.gaps],
                "closed": self.is_closed,
                "fine": self.has_tenths,
                **({"vouches": True} if self.vouches else {}),
            }
        ).encode()


class _Carry(BaseModel):
    """The carry as it is in a file."""

    last: dict[str, tuple[_TimeNs, float]] = Field(default_factory=dict)
    last_row_ns: _TimeNs | None = None
    gaps: tuple[tuple[_TimeNs, _TimeNs], ...] = ()
    closed: bool = False
    fine: bool = False
    vouches: bool = False


def gap_limit_ns(hold_ns: Mapping[str, int]) -> int:
    """Return the silence beyond which a joint has a gap: its longest hold, at least 0.3 s."""
    return max([*hold_ns.values(), MIN_GAP_NS])


def add_rows(
    carry: PyramidCarry,
    batch: ReadingBatch,
    *,
    hold_ns: Mapping[str, int],
    until_ns: int | None = None,
    width_ns: int = BASE_NS,
) -> tuple[dict[str, Buckets], PyramidCarry]:
    """Return the buckets that a batch adds, by channel, and the carry for the next batch.

    Parameters
    ----------
    carry
        That of the batch before; its values are counted now.
    batch
        The next readings of the joint, in order of time.
    hold_ns
        Channel -> how long its value holds at most.
    until_ns
        End of the recording: values hold no longer, and nothing is carried. None: not the end.
    width_ns
        Width of the buckets.
    """
    new_buckets: dict[str, Buckets] = {}
    last = dict(carry.last)
    for channel, hold in hold_ns.items():
        time_ns, value = batch.channel_series(channel)
        if channel in last:
            held_ns, held_value = last.pop(channel)
            time_ns = np.append(np.int64(held_ns), time_ns)
            value = np.append(held_value, value)
        if len(time_ns) == 0:
            continue
        newest_ns = int(time_ns[-1])
        if until_ns is None and len(batch) and int(batch.time_ns[-1]) - newest_ns >= hold:
            # Its hold is over, whatever follows: a channel that fell silent is counted to its end.
            buckets = to_buckets(
                time_ns, value, hold_ns=hold, width_ns=width_ns, until_ns=newest_ns + hold
            )
        elif until_ns is None:
            last[channel] = (newest_ns, float(value[-1]))
            buckets = to_buckets(
                time_ns[:-1],
                value[:-1],
                hold_ns=hold,
                width_ns=width_ns,
                until_ns=newest_ns,
            )
        else:
            buckets = to_buckets(time_ns, value, hold_ns=hold, width_ns=width_ns, until_ns=until_ns)
        if len(buckets):
            new_buckets[channel] = buckets
    times = batch.time_ns
    if carry.last_row_ns is not None:
        times = np.append(np.int64(carry.last_row_ns), times)
    silent_spans = np.flatnonzero(np.diff(times) > gap_limit_ns(hold_ns))
    gaps = tuple((int(times[row_index]), int(times[row_index + 1])) for row_index in silent_spans)
    return new_buckets, PyramidCarry(
        last=last,
        last_row_ns=int(times[-1]) if len(times) else None,
        gaps=gaps,
        is_closed=until_ns is not None,
    )


def bucket_columns(channel: str) -> list[str]:
    """Return the columns that hold a channel's statistics."""
    return [f"{channel}.{column}" for column in _OVERVIEW_COLUMNS]


def overview_table(buckets: Mapping[str, Buckets], carry: PyramidCarry) -> pa.Table:
    """Return the buckets of all channels as one table, a row per second, the carry in metadata."""
    table = channel_table(
        {name: (part.start_ns, part.value_columns()) for name, part in buckets.items()}
    )
    return table.replace_schema_metadata({_CARRY_KEY: carry.to_metadata()})


def channel_table(
    channels: Mapping[str, tuple[NDArray[np.int64], Mapping[str, NDArray[Any]]]],
) -> pa.Table:
    """Return the statistics of all channels as one table, a row for each start that any has.

    `channels`: for each the starts of its buckets, strictly increasing, and its columns.
    """
    starts = np.unique(
        np.concatenate([start_ns for start_ns, _ in channels.values()])
        if channels
        else np.empty(0, np.int64)
    )
    columns: dict[str, pa.Array] = {"time": pa.array(starts).cast(TIME_TYPE)}
    for channel, (start_ns, bucket_values) in channels.items():
        rows = np.searchsorted(starts, start_ns)
        absent = np.ones(len(starts), bool)
        absent[rows] = False
        for column_name, values in bucket_values.items():
            spread = np.zeros(len(starts), values.dtype)
            spread[rows] = values
            columns[f"{channel}.{column_name}"] = pa.array(spread, mask=absent)
    return pa.table(columns)


def carry_from(metadata: Mapping[bytes, bytes]) -> PyramidCarry:
    """Return the carry in the metadata of a part of the level.

    Raises
    ------
    ValueError
        It is none; `overview_fault` tells of such a part.
    """
    text = metadata.get(_CARRY_KEY)
    if text is None:
        return PyramidCarry()
    plain = _Carry.model_validate(parse_json(text, "overview", infinite=True))
    return PyramidCarry(
        last={name: (time_ns, value) for name, (time_ns, value) in plain.last.items()},
        last_row_ns=plain.last_row_ns,
        gaps=plain.gaps,
        is_closed=plain.closed,
        has_tenths=plain.fine,
        vouches=plain.vouches,
    )


def overview_fault(footer: pq.FileMetaData) -> str:
    """Return what is wrong about a part of the pyramid, by its footer; "" for nothing.

    Checksums tell that its bytes are those that were written, not that this program wrote them.
    """
    columns = footer_schema(footer).to_arrow_schema()
    if len(set(columns.names)) != len(columns.names) or columns.names[:1] != ["time"]:
        return "found no column of times, or two columns of one name"
    if columns.field("time").type != TIME_TYPE:
        return f"time: found {columns.field('time').type}, expected {TIME_TYPE}"
    held: dict[str, set[str]] = {}
    for column in columns:
        channel, dot, statistic = column.name.rpartition(".")
        is_count = statistic in {"n", "held_ns"}
        fits = pa.types.is_integer(column.type) if is_count else pa.types.is_floating(column.type)
        if dot and not fits:
            return f"{column.name}: found {column.type}, expected numbers"
        held.setdefault(channel, set()).add(statistic)
    held.pop("", None)
    if any(names not in (set(_OVERVIEW_COLUMNS), set(TENTHS_COLUMNS)) for names in held.values()):
        return "found a channel without some of its statistics"
    try:
        carry_from(footer.metadata or {})
    except ValueError as fault:
        return f"its carry is none ({fault})"
    return ""


def final_until(carry: PyramidCarry, channel: str, width_ns: int) -> int:
    """Return the bucket edge up to which the parts that end with this carry are final.

    Later parts add nothing to a channel's buckets before it.
    """
    if carry.is_closed:
        return TIME_MAX_NS
    carried = carry.last.get(channel)
    if carried is not None:
        return carried[0] // width_ns * width_ns
    return carry.last_row_ns // width_ns * width_ns if carry.last_row_ns is not None else 0


def channels_of_tables(tables: Sequence[pa.Table]) -> list[str]:
    """Return the channels that overview tables hold, in order of appearance."""
    names = dict.fromkeys(name for table in tables for name in table.column_names)
    return [name.removesuffix(".n") for name in names if name.endswith(".n")]


def buckets_of_tables(
    tables: Sequence[pa.Table], channel: str, *, width_ns: int = BASE_NS
) -> Buckets:
    """Return one channel's buckets from overview tables in order; those in two are merged."""
    parts = []
    for table in tables:
        if f"{channel}.n" not in table.column_names:
            continue
        held_rows = table.select(["time", *bucket_columns(channel)]).drop_null()
        if held_rows.num_rows == 0:
            continue
        columns = {
            column: held_rows[f"{channel}.{column}"].to_numpy() for column in _OVERVIEW_COLUMNS
        }
        # A file whose checksum fits may still be nobody's: whoever computes takes a root of these.
        columns |= {name: np.maximum(columns[name], 0) for name in ("n", "duration_s", "m2")}
        parts.append(
            Buckets(
                width_ns=width_ns,
                start_ns=held_rows["time"].cast(pa.int64()).to_numpy(),
                **columns,
            )
        )
    return merge_buckets(parts) if parts else Buckets.empty(width_ns)
