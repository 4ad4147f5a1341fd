"""Statistics of the buses of a recording, second by second and in buckets of any width.

Reads the statistics that the recorder wrote each second, never a frame: 24 h are 86,400 rows a bus.
`extend_bus_seconds` adds the rows written since the last call and reads nothing twice, so that a
page can call it every second. Older recordings, and those made of a log, have only statistics of
the recorder as a whole.
"""

from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS, Floats, Ints
from logger.event_kind import EventKind
from logger.store.layout.events import pause_ns
from replay.recording import Recording

__all__ = [
    "NO_SECONDS",
    "BusBuckets",
    "BusSeconds",
    "BusTotals",
    "bus_totals",
    "extend_bus_seconds",
    "mean_load",
    "to_bus_buckets",
    "undecoded_share",
]

_BusColumns = dict[str, Ints | Floats]

_SECOND_NS: Final = 1_000_000_000
_NEWEST_WITHIN_NS: Final = 3 * _SECOND_NS
"""A recorder that ended wrote its last row no longer before."""
_RUNNING_TOTALS: Final = ("lost", "garbled", "unanswered")
"""Columns that the recorder writes as counts since it started."""
_COUNT_COLUMNS: Final = ("error_frames", "remote_frames", *_RUNNING_TOTALS)
_ZERO_TOTALS: Final = (0,) * len(_RUNNING_TOTALS)


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSeconds:
    """Statistics of n seconds of buses, in order of time; every array of shape (n,)."""

    time_ns: Ints
    """End of the second that a row is about."""
    bus: NDArray[np.uint8]
    """Index in the bench's list of buses."""
    frames_per_s: Floats
    load: Floats
    """Share of the time, NaN where no bit rate is known."""
    error_frames: Ints
    remote_frames: Ints
    lost: Ints
    """Frames lost in that second."""
    garbled: Ints
    unanswered: Ints
    """Requests without a response in time."""
    each_bus: bool = True
    """False: the statistics are of the recorder as a whole, and `bus` is 0 throughout."""
    counted: tuple[tuple[int, ...], ...] = ()
    """For each bus the newest running totals (`_RUNNING_TOTALS`), to continue from."""

    def __len__(self) -> int:
        return len(self.time_ns)

    def for_bus(self, bus: int) -> "BusSeconds":
        """Return the rows of one bus."""
        rows = self.bus == bus
        return replace(self, **{name: getattr(self, name)[rows] for name in _ARRAY_FIELDS})


_ARRAY_FIELDS: Final = tuple(
    one.name for one in fields(BusSeconds) if one.name not in {"each_bus", "counted"}
)


def _to_bus_seconds(values: _BusColumns) -> BusSeconds:
    zeros = np.zeros(len(values["time_ns"]), np.int64)
    return BusSeconds(
        time_ns=values["time_ns"].astype(np.int64),
        bus=values.get("bus", zeros).astype(np.uint8),
        frames_per_s=values["frames_per_s"].astype(np.float64),
        load=values["load"].astype(np.float64),
        error_frames=values.get("error_frames", zeros).astype(np.int64),
        remote_frames=values.get("remote_frames", zeros).astype(np.int64),
        lost=values.get("lost", zeros).astype(np.int64),
        garbled=values.get("garbled", zeros).astype(np.int64),
        unanswered=values.get("unanswered", zeros).astype(np.int64),
    )


NO_SECONDS: Final = _to_bus_seconds(dict.fromkeys(("time_ns", "frames_per_s", "load"), np.empty(0)))
"""No seconds: the state before anything is read."""


def extend_bus_seconds(recording: Recording, seconds: BusSeconds = NO_SECONDS) -> BusSeconds:
    """Return `seconds` with the rows of a recording that were written after them."""
    since_ns = int(seconds.time_ns[-1]) + 1 if len(seconds) else TIME_MIN_NS
    if seconds.each_bus or not len(seconds):
        table = recording.read_rows("buses", start_ns=since_ns, end_ns=TIME_MAX_NS)
        if table.num_rows:
            return _append_columns(
                seconds if seconds.each_bus else NO_SECONDS, _columns_from_buses(table)
            )
        if len(seconds):
            return seconds
    table = recording.read_rows("health", start_ns=since_ns, end_ns=TIME_MAX_NS)
    if seconds.each_bus is False and recording.span_ns("buses"):
        # A newer recorder has resumed, which writes each bus: read again from the start.
        return extend_bus_seconds(recording)
    if not table.num_rows:
        return seconds
    return replace(_append_columns(seconds, _columns_from_health(table)), each_bus=False)


def count_garbled(recording: Recording, start_ns: int, end_ns: int) -> tuple[int, ...]:
    """Return for each bus how many lines or frames could not be read in [start_ns, end_ns)."""
    # A row counts up to its own time; the newest one before the span says what was counted by then.
    table = recording.read_rows("buses", start_ns=start_ns - 2 * _SECOND_NS, end_ns=end_ns + 1)
    is_first = recording.start_ns > start_ns - _SECOND_NS
    counts = []
    for bus in range(len(recording.bench.buses)):
        rows = table.filter(pc.equal(table["bus"], bus))
        running = rows["garbled"].fill_null(0).to_numpy().astype(np.int64)
        steps = np.diff(running, prepend=0 if is_first else running[:1])
        # A recorder that resumes counts from 0 again.
        steps = np.where(steps < 0, running[len(running) - len(steps) :], steps)
        times = _row_times(rows)[len(running) - len(steps) :]
        counts.append(int(steps[times > start_ns].sum()))
    return tuple(counts)


def undecoded_share(recording: Recording) -> float:
    """Return the share of all frames of a recording that were not decoded; NaN: not known.

    Of all buses together: the recorder counts them so. Reads a few rows for each start of it.
    """
    # By the names of the parts: a recording of months has thousands of them.
    frames = recording.row_count("frames", opened=False)
    ends_ns = [
        event.time_ns - pause_ns(event)
        for event in recording.read_events()
        if event.kind == EventKind.CONTINUED
    ]
    counts = []
    for end_ns in ends_ns:
        # Each recorder counts from 0.
        table = recording.read_rows(
            "health", start_ns=end_ns - _NEWEST_WITHIN_NS, end_ns=end_ns + _SECOND_NS
        )
        if table.num_rows:
            counts.append(int(table["undecoded"].fill_null(0).to_numpy()[-1]))
    newest = recording.latest_health()
    if newest is None or not frames:
        return np.nan
    return min((sum(counts) + newest.undecoded) / frames, 1.0)


def _columns_from_buses(table: pa.Table) -> _BusColumns:
    columns: _BusColumns = {"time_ns": _row_times(table)}
    for name in ("frames_per_s", "load"):
        columns[name] = table[name].to_numpy()
    for name in ("bus", *_COUNT_COLUMNS):
        if name not in table.column_names:
            continue  # an older recorder did not write this column
        columns[name] = table[name].fill_null(0).to_numpy().astype(np.int64)
    return columns


def _columns_from_health(table: pa.Table) -> _BusColumns:
    return {
        "time_ns": _row_times(table),
        "frames_per_s": table["frames_per_s"].to_numpy(),
        "load": table["bus_load"].to_numpy(),
        "lost": table["dropped"].fill_null(0).to_numpy(),
    }


def _row_times(table: pa.Table) -> Ints:
    times: Ints = table["time"].cast(pa.int64()).to_numpy()
    return times


def _append_columns(seconds: BusSeconds, columns: _BusColumns) -> BusSeconds:
    """Return the rows with new ones appended, running totals turned into counts of each second."""
    added = _to_bus_seconds(columns)
    last_totals = dict(enumerate(seconds.counted))
    increments = {name: getattr(added, name).copy() for name in _RUNNING_TOTALS}
    for bus in np.unique(added.bus).tolist():
        rows = np.flatnonzero(added.bus == bus)
        previous = last_totals.get(bus, _ZERO_TOTALS)
        last_totals[bus] = tuple(int(getattr(added, name)[rows[-1]]) for name in _RUNNING_TOTALS)
        for name, so_far in zip(_RUNNING_TOTALS, previous, strict=True):
            running = getattr(added, name)[rows]
            steps = np.diff(running, prepend=so_far)
            # A recorder that resumes counts from 0 again.
            increments[name][rows] = np.where(steps < 0, running, steps)
    added = replace(added, **increments)
    bus_count = max(last_totals, default=-1) + 1

    def both(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(seconds, name), getattr(added, name)])

    return BusSeconds(
        time_ns=both("time_ns"),
        bus=both("bus"),
        frames_per_s=both("frames_per_s"),
        load=both("load"),
        error_frames=both("error_frames"),
        remote_frames=both("remote_frames"),
        lost=both("lost"),
        garbled=both("garbled"),
        unanswered=both("unanswered"),
        counted=tuple(last_totals.get(index, _ZERO_TOTALS) for index in range(bus_count)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BusTotals:
    """One bus over the whole recording; NaN where nothing is known."""

    load_mean: float
    load_max: float
    frames_per_s_mean: float
    frames_per_s_max: float
    error_frames: int
    remote_frames: int
    lost: int
    garbled: int
    unanswered: int


def mean_load(seconds: BusSeconds, bus: int, start_ns: int, end_ns: int) -> float:
    """Return the mean load of the seconds of a bus that lie in [start_ns, end_ns); NaN: none do."""
    chosen = (
        (seconds.bus == bus)
        & (seconds.time_ns - _SECOND_NS // 2 >= start_ns)
        & (seconds.time_ns - _SECOND_NS // 2 < end_ns)
        & ~np.isnan(seconds.load)
    )
    return float(seconds.load[chosen].mean()) if chosen.any() else np.nan


def bus_totals(seconds: BusSeconds) -> BusTotals:
    """Return the totals of one bus over all its seconds."""

    def of(values: Floats) -> tuple[float, float]:
        known_values = values[~np.isnan(values)]
        return (
            (float(known_values.mean()), float(known_values.max()))
            if len(known_values)
            else (np.nan, np.nan)
        )

    load, frames = of(seconds.load), of(seconds.frames_per_s)
    return BusTotals(
        load_mean=load[0],
        load_max=load[1],
        frames_per_s_mean=frames[0],
        frames_per_s_max=frames[1],
        **{name: int(getattr(seconds, name).sum()) for name in _COUNT_COLUMNS},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BusBuckets:
    """m consecutive buckets of one bus; NaN (counts: 0) where no second is known."""

    start_ns: Ints
    width_ns: int
    load: tuple[Floats, Floats, Floats]
    """Minimum, mean and maximum, each of shape (m,)."""
    frames_per_s: tuple[Floats, Floats, Floats]
    error_frames: Ints
    remote_frames: Ints
    lost: Ints
    garbled: Ints
    unanswered: Ints

    def __len__(self) -> int:
        return len(self.start_ns)


def to_bus_buckets(seconds: BusSeconds, start_ns: int, end_ns: int, *, width_ns: int) -> BusBuckets:
    """Return the buckets of one bus that touch [start_ns, end_ns), on the grid of `width_ns`.

    A second belongs to the bucket in which its middle lies. No extreme and no count is lost.
    """
    first_bucket = start_ns // width_ns
    count = max(0, -(-end_ns // width_ns) - first_bucket)
    bucket = (seconds.time_ns - _SECOND_NS // 2) // width_ns - first_bucket
    # Seconds at the ends of a window may lie with their middle outside of it.
    inside = (bucket >= 0) & (bucket < count)
    bucket = bucket[inside]

    def shape(values: Floats) -> tuple[Floats, Floats, Floats]:
        values = values[inside]
        is_known = ~np.isnan(values)
        bucket_of, values = bucket[is_known], values[is_known]
        minimum, maximum = np.full(count, np.inf), np.full(count, -np.inf)
        np.minimum.at(minimum, bucket_of, values)
        np.maximum.at(maximum, bucket_of, values)
        n = np.bincount(bucket_of, minlength=count)
        total = np.bincount(bucket_of, weights=values, minlength=count)
        is_empty = n == 0
        mean = np.divide(total, n, out=np.full(count, np.nan), where=~is_empty)
        minimum[is_empty] = maximum[is_empty] = np.nan
        return minimum, mean, maximum

    def sums(values: Ints) -> Ints:
        added = np.zeros(count, np.int64)
        np.add.at(added, bucket, values[inside])
        return added

    return BusBuckets(
        start_ns=(first_bucket + np.arange(count, dtype=np.int64)) * width_ns,
        width_ns=width_ns,
        load=shape(seconds.load),
        frames_per_s=shape(seconds.frames_per_s),
        **{name: sums(getattr(seconds, name)) for name in _COUNT_COLUMNS},
    )
