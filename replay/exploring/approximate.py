"""What a limit makes of a trace roughly and at once, from the pyramid's seconds alone.

Each second stands for its readings by a few: its extremes in a likely order, its root mean square,
its mean, or where it begins and ends. The limit's own code is shown these, so every kind can be
asked. What it says is right to about a second, and may be wrong about what lasts for less;
`tasks.alerts_on` says it exactly. Gaps are kept: a second without readings has none here either.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets
from logger.limits import silence
from logger.limits.evaluate import fresh_memory, measured
from logger.limits.frozen import Frozen
from logger.limits.hysteresis import LevelState
from logger.limits.inverse_time import InverseTime
from logger.limits.level import Level, Outside
from logger.limits.limit import OfJoint
from logger.limits.limit_change import Change
from logger.limits.rate import Rate
from logger.limits.series import Series
from logger.limits.silence import Silence, SilenceState
from logger.limits.thermal import Thermal
from logger.limits.touch import Touch
from logger.limits.tracking import Tracking
from logger.store.pyramid.seconds import BASE_NS
from replay.evaluation.alert_arrays import Alerts, alerts_of, flips_of
from replay.evaluation.skip_scan import flipped
from replay.recording import Recording

__all__ = [
    "Measure",
    "Shape",
    "Sketch",
    "Style",
    "misses_brief",
    "rough",
    "shaped",
    "sketched",
    "styles_of",
]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Style = Literal["extremes", "rms", "mean", "ends"]

_A_SECOND: Final = 4
"""Readings that stand for a second where its extremes count."""
_SHORT_S: Final = 3.0
"""A wait of fewer seconds need not cover a whole one."""
_BRIEF_S: Final = 1.5
"""Between readings that stand for the ends of seconds, what swings back is not seen."""
_HOLD_NS: Final = BASE_NS * 3 // 2
"""Seconds that follow each other have no gap between them, two with one left out have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """The seconds of one channel of one joint that hold a reading, as far as a style needs them."""

    second: NDArray[np.int32]
    """Since `zero_ns`."""
    zero_ns: int
    values: Floats
    """Shape (n, many): what stands for each second, in order of time; NaN is no reading."""

    @property
    def start_ns(self) -> Ints:
        """Where each second begins."""
        return self.zero_ns + self.second.astype(np.int64) * BASE_NS

    @property
    def nbytes(self) -> int:
        """What it takes in memory."""
        return self.second.nbytes + self.values.nbytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """What a limit compares with its pick-up: n values in order of time; and what it raised."""

    time_ns: Ints
    told: Floats
    """In the unit that the limit tells its values in."""
    alerts: Alerts


def sketched(recording: Recording, joint: str, channel: str, style: Style) -> Sketch:
    """Return the seconds of a channel over the whole recording."""
    zero_ns = recording.start_ns // BASE_NS * BASE_NS
    end_ns = -(-recording.end_ns // BASE_NS) * BASE_NS
    found = recording.counted(joint, channel, zero_ns, end_ns)
    said = found.n > 0
    return Sketch(
        second=((found.start_ns[said] - zero_ns) // BASE_NS).astype(np.int32),
        zero_ns=zero_ns,
        values=_stood_for(found, style)[said],
    )


def _stood_for(found: Buckets, style: Style) -> Floats:
    """Return what stands for each bucket, shape (n, many)."""
    match style:
        case "extremes":
            # The one that lies nearer to where the second begins is likely to have come first.
            first, low, high = found.first, found.minimum, found.maximum
            rises = np.abs(first - low) <= np.abs(first - high)
            sooner, later = np.where(rises, low, high), np.where(rises, high, low)
            return np.stack((first, sooner, later, found.last), axis=1)
        case "ends":
            return np.stack((found.first, found.last), axis=1)
        case "rms":
            held_s = np.where(found.duration_s > 0, found.duration_s, 1.0)
            return np.sqrt(found.mean**2 + found.m2 / held_s)[:, None]
        case "mean":
            return found.mean[:, None].copy()


def styles_of(limit: OfJoint) -> dict[str, Style]:
    """Return the channels that a limit looks at, and what of their seconds counts for it."""
    match limit:
        case InverseTime() | Thermal():
            needs = [channel for _, channel in limit.needs]
            return {needs[0]: "rms", **dict.fromkeys(needs[1:], "mean")}
        case Rate():
            return {limit.channel: "mean"}
        case Tracking():
            # Readings at one instant: means of the two would hide an error that swings.
            return {limit.channel: "ends", limit.setpoint: "ends"}
        case Frozen():
            return {limit.channel: "extremes", limit.load: "rms"}
        case Level() | Outside() | Touch():
            return {limit.channel: "extremes"}
        case _:
            return {}


def misses_brief(limit: OfJoint) -> bool:
    """Return whether what raises a limit may be too brief for `rough` to see.

    An extreme stands for itself: whatever has no wait is seen, but not for how much less than a
    second something lasted that has to last for less than a second.
    """
    if isinstance(limit, Silence):
        # Gaps are known to the nanosecond.
        return False
    styles = set(styles_of(limit).values())
    if "ends" in styles:
        return limit.on_delay_s < _BRIEF_S
    return styles == {"extremes"} and 0.0 < limit.on_delay_s < BASE_NS * 1e-9


def rough(
    limit: OfJoint,
    sketches: Mapping[str, Sketch],
    *,
    joint: str,
    hold_ns: Mapping[str, int],
    gaps: list[tuple[int, int]],
    span_ns: tuple[int, int],
) -> Measure:
    """Return what a limit measures and raises, roughly.

    Parameters
    ----------
    limit
        Spoken in the channel's own unit (`evaluate.spoken`).
    sketches
        Of each channel of `styles_of`.
    gaps
        The joint's stretches without a frame; a silence is measured by these.
    span_ns
        Where the recording begins and ends.
    """
    if isinstance(limit, Silence):
        return _silent(limit, gaps, joint=joint, span_ns=span_ns)
    styles = styles_of(limit)
    if isinstance(limit, Frozen) and not _may_freeze(limit, sketches[limit.channel]):
        at = sketches[limit.channel]
        batch = _batch({limit.channel: at}, {limit.channel: "extremes"}, joint)
        return Measure(
            time_ns=batch.time_ns, told=batch.columns[limit.channel], alerts=alerts_of([])
        )
    batch = _batch(sketches, styles, joint)
    held = {**hold_ns, **{name: max(hold_ns[name], _HOLD_NS) for name in styles}}
    series = Series(batch, held)
    scores, _ = measured(limit, fresh_memory(limit), series)
    flips, _ = flipped(limit, LevelState(), scores, joint=joint)
    return Measure(time_ns=scores.time_ns, told=scores.told, alerts=alerts_of(flips))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A measure as it is drawn: the lowest and the highest of each of m stretches of a recording.

    NaN where there was none.
    """

    low: Floats
    high: Floats


def shaped(measure: Measure, start_ns: int, end_ns: int, *, bins: int) -> Shape:
    """Return a measure in `bins` equal stretches of [start_ns, end_ns)."""
    low, high = np.full(bins, np.nan), np.full(bins, np.nan)
    known = np.isfinite(measure.told)
    told = measure.told[known]
    place = (measure.time_ns[known] - start_ns) * bins // max(end_ns - start_ns, 1)
    place = np.clip(place, 0, bins - 1)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    if len(first):
        low[place[first]] = np.minimum.reduceat(told, first)
        high[place[first]] = np.maximum.reduceat(told, first)
    return Shape(low=low, high=high)


def _batch(sketches: Mapping[str, Sketch], styles: Mapping[str, Style], joint: str) -> ReadingBatch:
    """Return the readings that stand for the seconds of some channels, on one axis of time."""
    starts = [sketches[name].start_ns for name in styles]
    start_ns = starts[0] if len(starts) == 1 else np.unique(np.concatenate(starts))
    many = _A_SECOND if {"extremes", "ends"} & set(styles.values()) else 1
    steps = np.arange(many) * (BASE_NS // many)
    return ReadingBatch(
        joint=joint,
        time_ns=(start_ns[:, None] + steps).ravel(),
        position_segment=np.empty(0, np.int32),
        columns={name: _placed(sketches[name], start_ns, many) for name in styles},
    )


def _placed(sketch: Sketch, start_ns: Ints, many: int) -> Floats:
    """Return what stands for the seconds of a channel, each at its place of `many` a second."""
    own = sketch.values.shape[1]
    values = sketch.values
    if own != many:
        values = np.full((len(sketch.second), many), np.nan)
        values[:, [0, -1] if own > 1 else [0]] = sketch.values
    if len(values) == len(start_ns):
        return values.ravel()
    whole = np.full((len(start_ns), many), np.nan)
    whole[np.searchsorted(start_ns, sketch.start_ns)] = values
    return whole.ravel()


def _may_freeze(limit: Frozen, sketch: Sketch) -> bool:
    """Return whether a channel stands still for long enough anywhere to be called frozen.

    A wait of k seconds covers a whole block of k / 2 on any grid, within which all values lie
    within twice `within` of each other. Where no block does, nothing needs to be evaluated.
    """
    block = max(int(limit.on_delay_s) // 2, 1)
    if limit.on_delay_s < _SHORT_S or len(sketch.second) == 0:
        return True
    first = np.flatnonzero(np.diff(sketch.second // block, prepend=-1))
    high = np.fmax.reduceat(sketch.values.max(axis=1), first)
    low = np.fmin.reduceat(sketch.values.min(axis=1), first)
    return bool(np.any(high - low <= 2.0 * limit.within))


def _silent(
    limit: Silence, gaps: list[tuple[int, int]], *, joint: str, span_ns: tuple[int, int]
) -> Measure:
    """Return the gaps as they grow: nothing where each begins, its length where it ends."""
    _, end_ns = span_ns
    said: list[Change] = []
    for begin, end in gaps:
        # The end of the recording ends no silence: only a frame does.
        heard = np.array([end] if end < end_ns else [], np.int64)
        found, _ = silence.step(limit, SilenceState(last_ns=begin), heard, joint=joint, now_ns=end)
        said += [change for _, change in found]
    edges = np.array(gaps, np.int64).reshape(-1, 2)
    lengths = np.zeros(edges.shape)
    lengths[:, 1] = (edges[:, 1] - edges[:, 0]) * 1e-9
    return Measure(time_ns=edges.ravel(), told=lengths.ravel(), alerts=alerts_of(flips_of(said)))
