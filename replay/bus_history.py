"""How the buses of a recording fared, second by second, and in buckets for any width in pixels.

Reads the once-a-second figures that the recorder wrote and never a frame: 24 h are 86,400 rows a
bus. `more` takes in what has been written since and reads nothing twice, so a page may ask every
second. A recording from before there were figures for each bus, or one made of a log, tells only
those of the recorder as a whole.
"""

from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from replay.recording import Recording

__all__ = ["NOTHING", "BusBuckets", "BusSeconds", "Totals", "buckets", "more", "totals"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_Columns = dict[str, Ints | Floats]

_SECOND: Final = 1_000_000_000
_RUNNING: Final = ("lost", "garbled", "unanswered")
"""Written as counts from the beginning."""
_COUNTED: Final = ("error_frames", "remote_frames", *_RUNNING)


_NONE: Final = (0,) * len(_RUNNING)


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSeconds:
    """n rows in order of time, every array of shape (n,)."""

    time_ns: Ints
    """The end of the second or so that a row tells of."""
    bus: NDArray[np.uint8]
    """Place in the bench's list of buses, from 0."""
    frames_per_s: Floats
    load: Floats
    """Share of the time, NaN where no bit rate is known."""
    error_frames: Ints
    remote_frames: Ints
    lost: Ints
    """In that second; what is written counts from the beginning."""
    garbled: Ints
    unanswered: Ints
    """Requests to which no answer came in time."""
    each_bus: bool = True
    """False: only the recorder as a whole was told of, and `bus` is 0 throughout."""
    counted: tuple[tuple[int, ...], ...] = ()
    """For each bus what was counted lost, garbled and unanswered so far, to go on from."""

    def __len__(self) -> int:
        return len(self.time_ns)

    def of(self, bus: int) -> "BusSeconds":
        """Return the rows of one bus."""
        rows = self.bus == bus
        return replace(self, **{name: getattr(self, name)[rows] for name in _ARRAYS})


_ARRAYS: Final = tuple(
    one.name for one in fields(BusSeconds) if one.name not in {"each_bus", "counted"}
)


def _rows(values: _Columns) -> BusSeconds:
    none = np.zeros(len(values["time_ns"]), np.int64)
    return BusSeconds(
        time_ns=values["time_ns"].astype(np.int64),
        bus=values.get("bus", none).astype(np.uint8),
        frames_per_s=values["frames_per_s"].astype(np.float64),
        load=values["load"].astype(np.float64),
        error_frames=values.get("error_frames", none).astype(np.int64),
        remote_frames=values.get("remote_frames", none).astype(np.int64),
        lost=values.get("lost", none).astype(np.int64),
        garbled=values.get("garbled", none).astype(np.int64),
        unanswered=values.get("unanswered", none).astype(np.int64),
    )


NOTHING: Final = _rows(dict.fromkeys(("time_ns", "frames_per_s", "load"), np.empty(0)))
"""What is known of a recording before anything is read."""


def more(recording: Recording, known: BusSeconds = NOTHING) -> BusSeconds:
    """Return what is known of a recording after its newest rows are taken in as well."""
    since_ns = int(known.time_ns[-1]) + 1 if len(known) else -(2**62)
    if known.each_bus or not len(known):
        table = recording.each_second("buses", since_ns, 2**62)
        if table.num_rows:
            return _joined(known if known.each_bus else NOTHING, _of_buses(table))
        if len(known):
            return known
    table = recording.each_second("health", since_ns, 2**62)
    if known.each_bus is False and recording.each_second("buses", -(2**62), 2**62).num_rows:
        # It is gone on with by a recorder that tells more: begin anew with that.
        return more(recording)
    if not table.num_rows:
        return known
    return replace(_joined(known, _of_health(table)), each_bus=False)


def _of_buses(table: pa.Table) -> _Columns:
    found: _Columns = {"time_ns": _times(table)}
    for name in ("frames_per_s", "load"):
        found[name] = table[name].to_numpy()
    for name in ("bus", *_COUNTED):
        if name not in table.column_names:
            continue  # a recorder of before that did not tell it
        found[name] = table[name].fill_null(0).to_numpy().astype(np.int64)
    return found


def _of_health(table: pa.Table) -> _Columns:
    return {
        "time_ns": _times(table),
        "frames_per_s": table["frames_per_s"].to_numpy(),
        "load": table["bus_load"].to_numpy(),
        "lost": table["dropped"].fill_null(0).to_numpy(),
    }


def _times(table: pa.Table) -> Ints:
    times: Ints = table["time"].cast(pa.int64()).to_numpy()
    return times


def _joined(known: BusSeconds, found: _Columns) -> BusSeconds:
    """Return known rows and new ones, whose running counts are made counts of each second."""
    new = _rows(found)
    counted = dict(enumerate(known.counted))
    each = {name: getattr(new, name).copy() for name in _RUNNING}
    for bus in np.unique(new.bus).tolist():
        rows = np.flatnonzero(new.bus == bus)
        before = counted.get(bus, _NONE)
        counted[bus] = tuple(int(getattr(new, name)[rows[-1]]) for name in _RUNNING)
        for name, so_far in zip(_RUNNING, before, strict=True):
            running = getattr(new, name)[rows]
            steps = np.diff(running, prepend=so_far)
            # A recorder that goes on in a recording counts from nought again.
            each[name][rows] = np.where(steps < 0, running, steps)
    new = replace(new, **each)
    most = max(counted, default=-1) + 1

    def both(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(known, name), getattr(new, name)])

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
        counted=tuple(counted.get(place, _NONE) for place in range(most)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """One bus over the whole recording; NaN for what nobody told."""

    load_mean: float
    load_most: float
    frames_per_s_mean: float
    frames_per_s_most: float
    error_frames: int
    remote_frames: int
    lost: int
    garbled: int
    unanswered: int


def totals(seconds: BusSeconds) -> Totals:
    """Return the figures of one bus over all its seconds."""

    def of(values: Floats) -> tuple[float, float]:
        told = values[~np.isnan(values)]
        return (float(told.mean()), float(told.max())) if len(told) else (np.nan, np.nan)

    load, frames = of(seconds.load), of(seconds.frames_per_s)
    return Totals(
        load_mean=load[0],
        load_most=load[1],
        frames_per_s_mean=frames[0],
        frames_per_s_most=frames[1],
        **{name: int(getattr(seconds, name).sum()) for name in _COUNTED},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BusBuckets:
    """m neighbouring buckets of one bus; NaN, or 0 of what is counted, where no second was told."""

    start_ns: Ints
    width_ns: int
    load: tuple[Floats, Floats, Floats]
    """Least, mean and most."""
    frames_per_s: tuple[Floats, Floats, Floats]
    error_frames: Ints
    remote_frames: Ints
    lost: Ints
    garbled: Ints
    unanswered: Ints

    def __len__(self) -> int:
        return len(self.start_ns)


def buckets(seconds: BusSeconds, start_ns: int, end_ns: int, *, width_ns: int) -> BusBuckets:
    """Return the buckets of one bus that touch [start_ns, end_ns), on the grid of `width_ns`.

    A second belongs to the bucket in which its middle lies. No extreme and no count is lost.
    """
    first = start_ns // width_ns
    count = max(0, -(-end_ns // width_ns) - first)
    place = (seconds.time_ns - _SECOND // 2) // width_ns - first
    # The newest second of a picture may end just behind it, and the first begin just before.
    inside = (place >= 0) & (place < count)
    place = place[inside]

    def shape(values: Floats) -> tuple[Floats, Floats, Floats]:
        values = values[inside]
        told = ~np.isnan(values)
        at, values = place[told], values[told]
        least, most = np.full(count, np.inf), np.full(count, -np.inf)
        np.minimum.at(least, at, values)
        np.maximum.at(most, at, values)
        n = np.bincount(at, minlength=count)
        total = np.bincount(at, weights=values, minlength=count)
        none = n == 0
        mean = np.divide(total, n, out=np.full(count, np.nan), where=~none)
        least[none] = most[none] = np.nan
        return least, mean, most

    def sums(values: Ints) -> Ints:
        added = np.zeros(count, np.int64)
        np.add.at(added, place, values[inside])
        return added

    return BusBuckets(
        start_ns=(first + np.arange(count, dtype=np.int64)) * width_ns,
        width_ns=width_ns,
        load=shape(seconds.load),
        frames_per_s=shape(seconds.frames_per_s),
        **{name: sums(getattr(seconds, name)) for name in _COUNTED},
    )
