"""The pyramid's finest level: statistics of each tenth of a second, for joints that report fast.

A window of half a minute to five minutes would read every row without it. It is made for figures:
counts, held time, extremes, first and last are exact, the mean to a ten-millionth of the range of
the bucket; there is no M2, so statistics of a span never come from here. A part covers the same
rows as the part of seconds with the same name; one that is missing costs time and nothing else.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, to_s
from logger.errors import InputError
from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets, merge_buckets, resample_buckets
from logger.store.parts.part import Part
from logger.store.pyramid.seconds import (
    BASE_NS,
    TENTHS_COLUMNS,
    PyramidCarry,
    add_rows,
    carry_from,
    channel_table,
    final_until,
)

__all__ = [
    "FAST_ROWS",
    "TENTH_NS",
    "NewBuckets",
    "add_rows_at_both_widths",
    "read_tenths",
    "tenths_table",
    "wants_tenths",
]

TENTH_NS: Final = 100_000_000
"""Width of a bucket; it divides a second."""
FAST_ROWS: Final = 60
"""Rows per bucket from which on the level is written: else it is hardly smaller than the rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewBuckets:
    """What a batch of rows adds to the pyramid."""

    seconds: Mapping[str, Buckets]
    tenths: Mapping[str, Buckets] | None
    """None where the joint reports too slowly for them to be written."""
    carry: PyramidCarry


def wants_tenths(time_ns: NDArray[np.int64]) -> bool:
    """Return whether rows at these times, in order, have `FAST_ROWS` or more in a bucket."""
    buckets = 1 + int(np.count_nonzero(np.diff(time_ns // TENTH_NS)))
    # The first and the last bucket may hold rows of the parts before and after as well.
    return len(time_ns) > 0 and len(time_ns) >= FAST_ROWS * (buckets - 2)


def add_rows_at_both_widths(
    carry: PyramidCarry, batch: ReadingBatch, *, hold_ns: Mapping[str, int]
) -> NewBuckets:
    """Return the buckets that a batch adds at both widths, and the carry; see `add_rows`."""
    if not wants_tenths(batch.time_ns):
        seconds, carry_left = add_rows(carry, batch, hold_ns=hold_ns)
        return NewBuckets(seconds=seconds, tenths=None, carry=carry_left)
    tenths, carry_left = add_rows(carry, batch, hold_ns=hold_ns, width_ns=TENTH_NS)
    return NewBuckets(
        seconds={
            channel: resample_buckets(channel_buckets, BASE_NS)
            for channel, channel_buckets in tenths.items()
        },
        tenths=tenths,
        carry=replace(carry_left, has_tenths=True),
    )


def tenths_table(buckets: Mapping[str, Buckets]) -> pa.Table:
    """Return the buckets of all channels as one table, a row per tenth of a second."""
    return channel_table(
        {
            channel: (
                part.start_ns,
                {
                    "n": part.n.astype(np.int32),
                    "held_ns": np.rint(part.duration_s * 1e9).astype(np.int32),
                    # As a height above the minimum, a float32 is precise enough: the mean itself
                    # would not be, of a position that has turned many times.
                    "above": (part.mean - part.minimum).astype(np.float32),
                    "minimum": part.minimum,
                    "maximum": part.maximum,
                    "first": part.first,
                    "last": part.last,
                },
            )
            for channel, part in buckets.items()
        }
    )


def _tenths_from_table(table: pa.Table) -> Buckets:
    """Return one channel's buckets from its time and `TENTHS_COLUMNS`; M2 is NaN: not stored."""
    held_rows = table.drop_null()
    n, held_ns, above, minimum, maximum, first, last = (
        held_rows.column(column_index).to_numpy()
        for column_index in range(1, len(TENTHS_COLUMNS) + 1)
    )
    return Buckets(
        width_ns=TENTH_NS,
        start_ns=held_rows["time"].cast(pa.int64()).to_numpy(),
        n=n.astype(np.int64),
        duration_s=to_s(held_ns),
        mean=np.minimum(minimum + above, maximum),
        m2=np.full(len(n), np.nan),
        minimum=minimum,
        maximum=maximum,
        first=first,
        last=last,
    )


def read_tenths(
    seconds: Sequence[Part],
    fine: Sequence[Part],
    channel: str,
    *,
    start_ns: int,
    end_ns: int,
) -> tuple[Buckets, int]:
    """Return the buckets of a channel that touch [start_ns, end_ns), as far as there are parts.

    Parameters
    ----------
    seconds
        The parts of the first level, in order; their times and carries are used for this level.
    fine
        The parts of this level, in order of their rows.

    Returns
    -------
    buckets, counted_ns
        The buckets are final up to `counted_ns`, a bucket edge; from there on the raw rows have to
        be read.
    """
    tenths: list[Buckets] = []
    previous: Part | None = None
    names = ["time", *(f"{channel}.{column_name}" for column_name in TENTHS_COLUMNS)]
    for part in seconds:
        spans = part.spans
        if spans and spans[0][0] >= end_ns:
            # A part after the span counts nothing within it.
            return _merge_tenths(tenths), TIME_MAX_NS
        if spans and spans[-1][1] + BASE_NS > start_ns:
            tenths_part = _fine_part_for(fine, part)
            table = (
                None
                if tenths_part is None
                else _read_tenths_part(tenths_part, names, start_ns=start_ns, end_ns=end_ns)
            )
            if table is None:
                break
            if f"{channel}.n" in table.column_names and table.num_rows:
                tenths.append(_tenths_from_table(table))
        previous = part
    counted_ns = (
        0 if previous is None else final_until(carry_from(previous.metadata), channel, TENTH_NS)
    )
    return _merge_tenths(tenths), counted_ns


def _merge_tenths(parts: list[Buckets]) -> Buckets:
    return merge_buckets(parts) if parts else Buckets.empty(TENTH_NS)


def _fine_part_for(fine: Sequence[Part], part: Part) -> Part | None:
    index = bisect_left(fine, part.first_row, key=lambda fine_part: fine_part.first_row)
    # A crash may have left another one with the same first row that covers other rows.
    for fine_part in fine[index:]:
        if fine_part.first_row != part.first_row:
            break
        if fine_part.end_row == part.end_row:
            return fine_part
    return None


def _read_tenths_part(
    part: Part, names: list[str], *, start_ns: int, end_ns: int
) -> pa.Table | None:
    """Return the rows of a part that touch a span, None where it cannot be read."""
    if part.verify_error:
        return None
    try:
        table = part.read_span(start_ns=start_ns - TENTH_NS + 1, end_ns=end_ns, columns=names)
    except InputError:
        return None
    return pa.table({"time": pa.array([], pa.int64())}) if table is None else table
