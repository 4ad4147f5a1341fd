"""A recording as steps of load and counts of temperature: what a fit of heat is made from.

Everything comes from the pyramid's seconds (and the newest rows): a mean square is mean^2 +
M2 / held time, exact and weighted by time, so that a step of 10 s loses nothing of a trace at
1 kHz. Of a temperature the last reading of each second counts, as it was read.
"""
# ruff: noqa: N802, N806 - units are written as units are: K and A are capitals

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints, to_ns, to_s
from logger.joint.thermal.thermal_load import LoadSteps
from logger.joint.time_weighted import Buckets, resample_buckets
from logger.store.pyramid.seconds import BASE_NS
from replay.heat.dated_ambient import DatedReading, dated_counts, far_reading
from replay.heat.faults import HeatFault, HeatFaultKind, check_one_serial
from replay.heat.trace import HeatTrace, SensorCounts, SensorPlace
from replay.recording import Recording

__all__ = [
    "LoadChannel",
    "ReadTrace",
    "SensorSource",
    "load_channel",
    "read_housings",
    "read_trace",
]

LoadChannel = str
_TEMPERATURES: Final = {
    SensorPlace.WINDING: "temperature_winding_degC",
    SensorPlace.HOUSING: "temperature_housing_degC",
}
_AMBIENT: Final = "temperature_ambient_degC"
_SPEED: Final = "speed_rad_s"
STEP_WIDTHS_S: Final = (2, 5, 10, 20, 30, 60, 120, 300)
WINDING_STEP_S: Final = 2
HOUSING_STEP_S: Final = 10
MOST_STEPS: Final = 3000
"""24 h of a housing in steps of 30 s; longer recordings have wider ones."""
MOST_WINDING_STEPS: Final = 9000
"""The same where a winding is read, which is faster."""
HELD_SHARE: Final = 0.8
"""Of a step in which a load was held; with less it is a gap."""
BRIDGED_S: Final = 5.0
"""A shorter gap of the load keeps the load before it."""
LEAST_SEGMENT_S: Final = 60.0
LEAST_RESOLUTION_K: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSource:
    """A channel of a joint or of a joined instrument that shows a temperature."""

    place: SensorPlace
    joint: str
    channel: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadTrace:
    """The trace of a joint, and where it came from."""

    trace: HeatTrace
    load: LoadChannel
    """`current_A`, or `torque_Nm` where no current is recorded."""
    sources: tuple[SensorSource, ...]
    has_speed: bool
    start_ns: int
    """The instant that `trace.begin_s` counts from."""
    spans_ns: tuple[tuple[int, int], ...]
    """Begin and end of each segment."""
    recordings: tuple[str, ...]
    skipped_s: float
    """Time in which no load was recorded: gaps, and segments that are too short."""
    largest_load: float
    """Of all readings of the load, of either sign; 0 where there is none."""


def load_channel(recording: Recording, joint: str) -> LoadChannel:
    """Return which channel's square warms the joint: its current, else its torque.

    Raises
    ------
    HeatFault
        It has neither.
    """
    for channel in ("current_A", "torque_Nm"):
        if channel in recording.channels(joint) and _has_values(recording, joint, channel):
            return channel
    label = recording.bench.label_of(joint)
    raise HeatFault(HeatFaultKind.NO_LOAD, where=recording.name, joint=label)


def read_trace(
    recordings: Sequence[Recording],
    joint: str,
    *,
    ambient: SensorSource | None = None,
    dated: Sequence[DatedReading] = (),
) -> ReadTrace:
    """Return the load and the temperatures of a joint over recordings that follow each other.

    Parameters
    ----------
    ambient
        Where the ambient is recorded; None: in the joint's own channel, if that has values.
    dated
        Readings of the ambient that were typed, in place of a channel.

    Raises
    ------
    HeatFault
        A recording has no load or no temperature of the joint, they overlap, or are of joints of
        different serials.
    """
    ordered = sorted(recordings, key=lambda one: one.start_ns)
    label = ordered[0].bench.label_of(joint)
    for before, after in itertools.pairwise(ordered):
        if after.start_ns < before.end_ns:
            raise HeatFault(HeatFaultKind.OVERLAP, where=after.name, joint=label, found=before.name)
    check_one_serial(ordered, joint)
    loads = {load_channel(one, joint) for one in ordered}
    if len(loads) > 1:
        raise HeatFault(HeatFaultKind.MIXED_LOADS, where=ordered[0].name, joint=label)
    load = loads.pop()
    sources = [_sources(one, joint, ambient, has_room=not dated) for one in ordered]
    places = {source.place for source in sources[0]}
    if not places & {*_TEMPERATURES}:
        raise HeatFault(HeatFaultKind.NO_TEMPERATURE, where=ordered[0].name, joint=label)
    width_s = _step_width_s(
        sum(one.end_ns - one.start_ns for one in ordered), SensorPlace.WINDING in places
    )
    pieces = [_Piece.of(one, joint, load, width_s * BASE_NS) for one in ordered]
    start_ns = int(pieces[0].start_ns[0]) if len(pieces[0].start_ns) else ordered[0].start_ns
    steps_ns = np.concatenate([piece.start_ns for piece in pieces])
    if not len(steps_ns):
        raise HeatFault(HeatFaultKind.TOO_SHORT, where=ordered[0].name, joint=label, found_s=0.0)
    belongs = np.repeat(np.arange(len(pieces)), [len(piece.start_ns) for piece in pieces])
    is_new = (np.diff(steps_ns, prepend=steps_ns[0]) > width_s * BASE_NS) | (
        np.diff(belongs, prepend=0) > 0
    )
    numbers = np.cumsum(is_new)
    long_enough = np.bincount(numbers) * width_s >= LEAST_SEGMENT_S
    kept = long_enough[numbers]
    if not kept.any():
        raise HeatFault(
            HeatFaultKind.TOO_SHORT,
            where=ordered[0].name,
            joint=label,
            found_s=float(len(steps_ns) * width_s),
        )
    steps_ns = steps_ns[kept]
    segment = np.unique(numbers[kept], return_inverse=True)[1].reshape(-1)
    square, speed, speed_square = (
        np.concatenate([getattr(piece, name) for piece in pieces])[kept]
        for name in ("square", "speed", "speed_square")
    )
    sensors = [
        _sensor_counts(
            place,
            [
                _readings(one, source)
                for one, found in zip(ordered, sources, strict=True)
                for source in found
                if source.place is place
            ],
            steps_ns,
            width_s * BASE_NS,
        )
        for place in SensorPlace
        if any(source.place is place for found in sources for source in found)
    ]
    if dated:
        far = far_reading(dated, steps_ns, width_s * BASE_NS)
        if far is not None:
            raise HeatFault(
                HeatFaultKind.AMBIENT_IN_GAP,
                where=ordered[0].name,
                joint=label,
                found=f"{far.degC:g} degC",
            )
        sensors.append(dated_counts(dated, steps_ns, width_s * BASE_NS))
    heads = np.flatnonzero(np.diff(segment, prepend=-1))
    tails = np.append(heads[1:], len(segment)) - 1
    recorded_s = to_s(sum(one.end_ns - one.start_ns for one in ordered))
    return ReadTrace(
        trace=HeatTrace(
            steps=LoadSteps(
                duration_s=np.full(len(steps_ns), float(width_s)),
                mean_square_A2=square,
                mean_speed_rad_s=speed,
                mean_square_speed_rad2_s2=speed_square,
            ),
            begin_s=to_s(steps_ns - start_ns),
            segment=segment.astype(np.int64),
            sensors=tuple(sensor for sensor in sensors if len(sensor.step)),
        ),
        load=load,
        sources=tuple(sources[0]),
        has_speed=bool(speed_square.any()),
        start_ns=start_ns,
        spans_ns=tuple(
            (int(steps_ns[head]), int(steps_ns[tail]) + width_s * BASE_NS)
            for head, tail in zip(heads, tails, strict=True)
        ),
        recordings=tuple(one.name for one in ordered),
        skipped_s=max(recorded_s - float(len(steps_ns) * width_s), 0.0),
        largest_load=max(piece.largest for piece in pieces),
    )


def read_housings(
    recordings: Sequence[Recording], joints: Sequence[str], times_ns: Ints
) -> dict[str, Floats]:
    """Return the housing of each joint at some instants in degC, shape (k,), as far as recorded.

    The mean over the time around each instant, half way to the next.
    """
    middles = (times_ns[1:] + times_ns[:-1]) // 2
    out = {}
    for joint in joints:
        source = SensorSource(
            place=SensorPlace.HOUSING, joint=joint, channel=_TEMPERATURES[SensorPlace.HOUSING]
        )
        pieces = [
            _readings(one, source)
            for one in recordings
            if joint in one.joints and source.channel in one.channels(joint)
        ]
        if not pieces:
            continue
        at = np.searchsorted(middles, np.concatenate([times for times, _ in pieces]))
        values = np.concatenate([found for _, found in pieces])
        n = np.bincount(at, minlength=len(times_ns))
        if n.all():
            out[joint] = np.bincount(at, values, minlength=len(times_ns)) / n
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """The steps of one recording that have a load."""

    start_ns: Ints
    square: Floats
    speed: Floats
    speed_square: Floats
    largest: float
    """Load of all readings, of either sign."""

    @classmethod
    def of(cls, recording: Recording, joint: str, load: str, width_ns: int) -> "_Piece":
        seconds = _seconds(recording, joint, load)
        extremes = np.abs(np.concatenate([seconds.minimum, seconds.maximum]))
        largest = float(np.max(extremes, initial=0.0, where=np.isfinite(extremes)))
        found = resample_buckets(seconds, width_ns)
        kept = found.duration_s >= HELD_SHARE * to_s(width_ns)
        start_ns = found.start_ns[kept]
        square = _mean_square(found)[kept]
        start_ns, square = _bridged(start_ns, square, width_ns)
        speed = speed_square = np.zeros(len(start_ns))
        if _SPEED in recording.channels(joint) and len(start_ns):
            moving = resample_buckets(_seconds(recording, joint, _SPEED), width_ns)
            if len(moving):
                at = np.clip(np.searchsorted(moving.start_ns, start_ns), 0, len(moving) - 1)
                has_own = moving.start_ns[at] == start_ns
                speed_square = np.where(has_own, _mean_square(moving)[at], 0.0)
                # The magnitude's mean is kept nowhere; of a speed without a change of sign within
                # the step it is the mean's, else the root mean square stands for it.
                one_way = (moving.minimum[at] >= 0.0) | (moving.maximum[at] <= 0.0)
                magnitude = np.where(one_way, np.abs(moving.mean[at]), np.sqrt(speed_square))
                speed = np.where(has_own, magnitude, 0.0)
        return cls(
            start_ns=start_ns,
            square=square,
            speed=speed,
            speed_square=speed_square,
            largest=largest,
        )


def _bridged(start_ns: Ints, square: Floats, width_ns: int) -> tuple[Ints, Floats]:
    """Fill holes that are short: each missing step has the load of the one before."""
    if not len(start_ns):
        return start_ns, square
    missing = np.diff(start_ns) // width_ns - 1
    repeats = np.where((missing > 0) & (missing * width_ns <= to_ns(BRIDGED_S)), missing, 0) + 1
    repeats = np.append(repeats, 1)
    first = np.repeat(np.cumsum(repeats) - repeats, repeats)
    offset = np.arange(int(repeats.sum())) - first
    return np.repeat(start_ns, repeats) + offset * width_ns, np.repeat(square, repeats)


def _mean_square(buckets: Buckets) -> Floats:
    held_s = np.maximum(buckets.duration_s, 1e-9)
    return np.asarray(buckets.mean**2 + buckets.m2 / held_s)


def _seconds(recording: Recording, joint: str, channel: str) -> Buckets:
    begin_ns = recording.start_ns // BASE_NS * BASE_NS
    end_ns = -(-recording.end_ns // BASE_NS) * BASE_NS
    return recording.read_buckets(joint, channel, begin_ns, end_ns)


def _readings(recording: Recording, source: SensorSource) -> tuple[Ints, Floats]:
    """Return about when and what a sensor read last in each second."""
    found = _seconds(recording, source.joint, source.channel)
    rows = found.n > 0
    # The last of n readings of a second lies half a spacing before its end.
    late = BASE_NS - BASE_NS // np.maximum(2 * found.n[rows], 1)
    return found.start_ns[rows] + late, found.last[rows]


def _sensor_counts(
    place: SensorPlace, readings: list[tuple[Ints, Floats]], steps_ns: Ints, width_ns: int
) -> SensorCounts:
    time_ns = np.concatenate([times for times, _ in readings])
    value = np.concatenate([values for _, values in readings])
    resolution_K = _resolution_K(value)
    step = np.searchsorted(steps_ns, time_ns, "right") - 1
    inside = (step >= 0) & np.isfinite(value)
    inside &= time_ns < steps_ns[np.maximum(step, 0)] + width_ns
    step, time_ns, value = step[inside], time_ns[inside], value[inside]
    fraction = (time_ns - steps_ns[step]) / width_ns
    if place is SensorPlace.WINDING and width_ns > to_ns(WINDING_STEP_S):
        # Within a step the load is one mean and temperatures are straight, which a winding is not:
        # its time constant came out 2 % off, its interval half as wide. At an end it is right.
        last = fraction > 1.0 - BASE_NS / width_ns
        step, value, fraction = step[last], value[last], fraction[last]
    counts = np.rint(value / resolution_K).astype(np.int64)
    keys, at = np.unique(np.stack([step, counts]), axis=1, return_inverse=True)
    at = at.reshape(-1)
    n = np.bincount(at).astype(np.float64)
    return SensorCounts(
        place=place,
        resolution_K=resolution_K,
        step=keys[0],
        fraction=np.bincount(at, fraction) / n,
        value_degC=np.bincount(at, value) / n,
        n=n,
    )


def _resolution_K(value: Floats) -> float:
    """Return the step of one count: the smallest difference of two readings."""
    steps = np.diff(np.unique(np.round(value, 6)))
    return max(float(steps.min()), LEAST_RESOLUTION_K) if len(steps) else 1.0


def _step_width_s(recorded_ns: int, has_winding: bool) -> int:  # noqa: FBT001 - one fact
    recorded_s = to_s(recorded_ns)
    least = (
        max(WINDING_STEP_S, recorded_s / MOST_WINDING_STEPS)
        if has_winding
        else max(HOUSING_STEP_S, recorded_s / MOST_STEPS)
    )
    return next((width for width in STEP_WIDTHS_S if width >= least), STEP_WIDTHS_S[-1])


def _sources(
    recording: Recording, joint: str, ambient: SensorSource | None, *, has_room: bool
) -> list[SensorSource]:
    """Return the temperatures that count; `has_room`: whether a channel tells the ambient."""
    found = [
        SensorSource(place=place, joint=joint, channel=channel)
        for place, channel in _TEMPERATURES.items()
        if channel in recording.channels(joint) and _has_values(recording, joint, channel)
    ]
    own = SensorSource(place=SensorPlace.AMBIENT, joint=joint, channel=_AMBIENT)
    chosen = ambient or own
    is_there = chosen.joint in recording.joints and chosen.channel in recording.channels(
        chosen.joint
    )
    if has_room and is_there and _has_values(recording, chosen.joint, chosen.channel):
        found.append(chosen)
    return found


def _has_values(recording: Recording, joint: str, channel: str) -> bool:
    return len(_seconds(recording, joint, channel)) > 0
