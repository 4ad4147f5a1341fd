"""The pyramid's finest level: what each tenth of a second held, for joints that report fast.

A window of half a minute to five would read every row without it. It is made for pictures: counts,
held time, extremes, first and last are exact, the mean to a ten-millionth of what lies between a
bucket's extremes; there is no M2, so the figures of a span never come from here. A part tells of
the same rows as the part of seconds of its name; one that is missing costs time and nothing else.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from logger.errors import InputError
from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets, merged, regrouped
from logger.store.parts.part import Part
from logger.store.pyramid.seconds import (
    BASE_NS,
    Carry,
    carry_from,
    counted_in,
    grow,
    spread_table,
)

__all__ = ["FAST_ROWS", "FINE_NS", "Grown", "fine_buckets", "fine_table", "grown", "is_fast"]

FINE_NS: Final = 100_000_000
"""Width of a bucket; it divides a second."""
FAST_ROWS: Final = 60
"""Rows a bucket from which on the level is written: with fewer it would be large beside them."""
_FIGURES: Final = ("n", "held_ns", "above", "minimum", "maximum", "first", "last")
_EVER: Final = 2**62


@dataclass(frozen=True, slots=True, kw_only=True)
class Grown:
    """What a batch of rows adds to the pyramid."""

    seconds: Mapping[str, Buckets]
    tenths: Mapping[str, Buckets] | None
    """None where the joint reports too slowly for them to be written."""
    carry: Carry


def is_fast(time_ns: NDArray[np.int64]) -> bool:
    """Return whether rows at these times, in order, are worth a level of their own."""
    buckets = 1 + int(np.count_nonzero(np.diff(time_ns // FINE_NS)))
    # The first and the last bucket may be shared with the rows before and behind.
    return len(time_ns) > 0 and len(time_ns) >= FAST_ROWS * (buckets - 2)


def grown(carry: Carry, batch: ReadingBatch, *, hold_ns: Mapping[str, int]) -> Grown:
    """Return the buckets that a batch adds at both widths, and what is carried on."""
    if not is_fast(batch.time_ns):
        seconds, left = grow(carry, batch, hold_ns=hold_ns)
        return Grown(seconds=seconds, tenths=None, carry=left)
    tenths, left = grow(carry, batch, hold_ns=hold_ns, width_ns=FINE_NS)
    return Grown(
        seconds={channel: regrouped(found, BASE_NS) for channel, found in tenths.items()},
        tenths=tenths,
        carry=replace(left, fine=True),
    )


def fine_table(buckets: Mapping[str, Buckets]) -> pa.Table:
    """Return the buckets of all channels as one table, a row a tenth of a second."""
    return spread_table(
        {
            channel: (
                part.start_ns,
                {
                    "n": part.n.astype(np.int32),
                    "held_ns": np.rint(part.duration_s * 1e9).astype(np.int32),
                    # Above the minimum a float32 is fine enough, wherever a position may have gone.
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


def _buckets_from(table: pa.Table) -> Buckets:
    """Return one channel's buckets from the columns of `_columns`; M2 is NaN: it is not known."""
    held = table.drop_null()
    n, held_ns, above, minimum, maximum, first, last = (
        held.column(place).to_numpy() for place in range(1, len(_FIGURES) + 1)
    )
    return Buckets(
        width_ns=FINE_NS,
        start_ns=held["time"].cast(pa.int64()).to_numpy(),
        n=n.astype(np.int64),
        duration_s=held_ns * 1e-9,
        mean=np.minimum(minimum + above, maximum),
        m2=np.full(len(n), np.nan),
        minimum=minimum,
        maximum=maximum,
        first=first,
        last=last,
    )


def fine_buckets(
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
        The parts of the first level, in order; they say where to look, and what is not counted.
    fine
        The parts of this level, in order of their rows.

    Returns
    -------
    buckets, counted_ns
        Right up to `counted_ns`, on the grid; from there on the raw rows have to be read.
    """
    found: list[Buckets] = []
    before: Part | None = None
    names = ["time", *(f"{channel}.{figure}" for figure in _FIGURES)]
    for part in seconds:
        spans = part.spans
        if spans and spans[0][0] >= end_ns:
            # Whatever a part behind the span counts lies behind the span.
            return _merged(found), _EVER
        if spans and spans[-1][1] + BASE_NS > start_ns:
            one = _of_the_same_rows(fine, part)
            table = None if one is None else _read(one, names, start_ns=start_ns, end_ns=end_ns)
            if table is None:
                break
            if f"{channel}.n" in table.column_names and table.num_rows:
                found.append(_buckets_from(table))
        before = part
    counted = 0 if before is None else counted_in(carry_from(before.metadata), channel, FINE_NS)
    return _merged(found), counted


def _merged(found: list[Buckets]) -> Buckets:
    return merged(found) if found else Buckets.none(FINE_NS)


def _of_the_same_rows(fine: Sequence[Part], part: Part) -> Part | None:
    at = bisect_left(fine, part.first_row, key=lambda one: one.first_row)
    # A crash may have left one beside it that tells of other rows.
    for one in fine[at:]:
        if one.first_row != part.first_row:
            break
        if one.end_row == part.end_row:
            return one
    return None


def _read(part: Part, names: list[str], *, start_ns: int, end_ns: int) -> pa.Table | None:
    """Return the rows of a part that touch a span, None where it cannot be read."""
    if part.damage:
        return None
    try:
        table = part.read(start_ns=start_ns - FINE_NS + 1, end_ns=end_ns, columns=names)
    except InputError:
        return None
    return pa.table({"time": pa.array([], pa.int64())}) if table is None else table
