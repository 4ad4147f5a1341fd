"""The pyramid's first level: what each second held, channel by channel.

It grows with every sealed part. A value is counted when the next one shows how long it held, so the
last value of each channel is carried to the next part, in the file's metadata, together with the
joint's gaps. Coarser levels are made of this one (see levels).
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets, bucketed, merged
from logger.store.layout.schema import TIME

__all__ = [
    "BASE_NS",
    "Carry",
    "buckets_from",
    "carry_from",
    "channels_in",
    "counted_in",
    "figure_names",
    "gap_limit_ns",
    "grow",
    "overview_table",
    "spread_table",
]

BASE_NS: Final = 1_000_000_000
"""Width of the finest bucket."""
_NOTE: Final = b"dutytrace overview"
_FIGURES: Final = ("n", "duration_s", "mean", "m2", "minimum", "maximum", "first", "last")
SHORTEST_GAP_NS: Final = 300_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Carry:
    """What one part leaves to the next."""

    last: Mapping[str, tuple[int, float]] = field(default_factory=dict)
    """Channel -> time and value of its newest reading, not yet counted."""
    last_row_ns: int | None = None
    gaps: tuple[tuple[int, int], ...] = ()
    """Stretches of this part without any frame of the joint, as (start_ns, end_ns)."""
    closed: bool = False
    """The recording ended here: nothing is left to count."""
    fine: bool = False
    """Tenths of a second were written for this part as well (see fine)."""

    def plain(self) -> bytes:
        """Return it as the metadata of a file."""
        return json.dumps(
            {
                "last": {name: list(pair) for name, pair in self.last.items()},
                "last_row_ns": self.last_row_ns,
                "gaps": [list(gap) for gap in self.gaps],
                "closed": self.closed,
                "fine": self.fine,
            }
        ).encode()


def gap_limit_ns(hold_ns: Mapping[str, int]) -> int:
    """Return the silence beyond which a joint is said to have a gap."""
    return max([*hold_ns.values(), SHORTEST_GAP_NS])


def grow(
    carry: Carry,
    batch: ReadingBatch,
    *,
    hold_ns: Mapping[str, int],
    until_ns: int | None = None,
    width_ns: int = BASE_NS,
) -> tuple[dict[str, Buckets], Carry]:
    """Return the buckets that a batch adds, and what is carried on.

    `until_ns` ends the recording: values hold no longer than that and nothing is carried.
    """
    found: dict[str, Buckets] = {}
    last = dict(carry.last)
    for channel, hold in hold_ns.items():
        time_ns, value = batch.series(channel)
        if channel in last:
            held_ns, held = last.pop(channel)
            time_ns = np.append(np.int64(held_ns), time_ns)
            value = np.append(held, value)
        if len(time_ns) == 0:
            continue
        newest_ns = int(time_ns[-1])
        if until_ns is None and len(batch) and int(batch.time_ns[-1]) - newest_ns >= hold:
            # Its hold is over, whatever comes: a channel that fell silent is counted for good.
            buckets = bucketed(
                time_ns, value, hold_ns=hold, width_ns=width_ns, until_ns=newest_ns + hold
            )
        elif until_ns is None:
            last[channel] = (newest_ns, float(value[-1]))
            buckets = bucketed(
                time_ns[:-1],
                value[:-1],
                hold_ns=hold,
                width_ns=width_ns,
                until_ns=newest_ns,
            )
        else:
            buckets = bucketed(time_ns, value, hold_ns=hold, width_ns=width_ns, until_ns=until_ns)
        if len(buckets):
            found[channel] = buckets
    times = batch.time_ns
    if carry.last_row_ns is not None:
        times = np.append(np.int64(carry.last_row_ns), times)
    silent = np.flatnonzero(np.diff(times) > gap_limit_ns(hold_ns))
    gaps = tuple((int(times[i]), int(times[i + 1])) for i in silent)
    return found, Carry(
        last=last,
        last_row_ns=int(times[-1]) if len(times) else None,
        gaps=gaps,
        closed=until_ns is not None,
    )


def figure_names(channel: str) -> list[str]:
    """Return the columns that hold a channel's figures."""
    return [f"{channel}.{figure}" for figure in _FIGURES]


def overview_table(buckets: Mapping[str, Buckets], carry: Carry) -> pa.Table:
    """Return the buckets of all channels as one table, a row a second."""
    table = spread_table({name: (part.start_ns, part.columns()) for name, part in buckets.items()})
    return table.replace_schema_metadata({_NOTE: carry.plain()})


def spread_table(
    channels: Mapping[str, tuple[NDArray[np.int64], Mapping[str, NDArray[Any]]]],
) -> pa.Table:
    """Return the figures of all channels as one table, a row for each start that any of them has.

    `channels` holds for each the starts of its buckets, strictly increasing, and its figures.
    """
    starts = np.unique(
        np.concatenate([start_ns for start_ns, _ in channels.values()])
        if channels
        else np.empty(0, np.int64)
    )
    columns: dict[str, pa.Array] = {"time": pa.array(starts).cast(TIME)}
    for channel, (start_ns, figures) in channels.items():
        rows = np.searchsorted(starts, start_ns)
        absent = np.ones(len(starts), bool)
        absent[rows] = False
        for figure, values in figures.items():
            spread = np.zeros(len(starts), values.dtype)
            spread[rows] = values
            columns[f"{channel}.{figure}"] = pa.array(spread, mask=absent)
    return pa.table(columns)


def carry_from(metadata: Mapping[bytes, bytes]) -> Carry:
    """Return what the metadata of an overview part says."""
    plain = json.loads(metadata.get(_NOTE, b"{}"))
    return Carry(
        last={name: (int(pair[0]), float(pair[1])) for name, pair in plain.get("last", {}).items()},
        last_row_ns=plain.get("last_row_ns"),
        gaps=tuple((int(gap[0]), int(gap[1])) for gap in plain.get("gaps", [])),
        closed=bool(plain.get("closed", False)),
        fine=bool(plain.get("fine", False)),
    )


def counted_in(carry: Carry, channel: str, width_ns: int) -> int:
    """Return the bucket edge up to which what leaves this behind has counted a channel for good."""
    if carry.closed:
        return 2**62
    held = carry.last.get(channel)
    if held is not None:
        return held[0] // width_ns * width_ns
    return carry.last_row_ns // width_ns * width_ns if carry.last_row_ns is not None else 0


def channels_in(tables: Sequence[pa.Table]) -> list[str]:
    """Return the channels that overview tables tell of, in order of appearance."""
    names = dict.fromkeys(name for table in tables for name in table.column_names)
    return [name.removesuffix(".n") for name in names if name.endswith(".n")]


def buckets_from(tables: Sequence[pa.Table], channel: str, *, width_ns: int = BASE_NS) -> Buckets:
    """Return one channel's buckets from overview tables given in order; shared ones merged."""
    parts = []
    for table in tables:
        if f"{channel}.n" not in table.column_names:
            continue
        held = table.select(["time", *figure_names(channel)]).drop_null()
        if held.num_rows == 0:
            continue
        figures = {figure: held[f"{channel}.{figure}"].to_numpy() for figure in _FIGURES}
        parts.append(
            Buckets(
                width_ns=width_ns,
                start_ns=held["time"].cast(pa.int64()).to_numpy(),
                **figures,
            )
        )
    return merged(parts) if parts else Buckets.none(width_ns)
