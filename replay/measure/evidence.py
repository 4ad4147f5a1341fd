"""Spans of recordings as arrays: what an evaluation is given. Reads recordings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from logger.arrays import Floats, to_s
from logger.errors import InputError
from logger.joint.bench.counts import CountGrid
from logger.joint.channels import is_channel
from logger.store.layout.manifest import iso_utc
from replay.measure.setup import JointFacts, SpanTrace
from replay.recording import Recording

__all__ = [
    "NamedSpan",
    "control_modes",
    "joint_facts",
    "measured_joint",
    "read_spans",
    "whole_recording",
]

STATE: Final = "state_code"
MODE_WORDS: Final = {
    "torque": {"torque"},
    "current": {"current"},
    "speed": {"speed", "velocity"},
    "position": {"position"},
}
"""Control mode -> words by which the name of a drive's state says it."""
MOST_ROWS: Final = 20_000_000
"""Rows of a span that are read at once: five hours at 1 kHz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedSpan:
    """A span that somebody named, in ns since 1970, half open."""

    name: str
    start_ns: int
    end_ns: int


def measured_joint(recordings: Sequence[Recording], name: str | None) -> str:
    """Return the joint that is measured: the one that was named, or the only one.

    Raises
    ------
    InputError
        There are several and none was named, or a recording does not have it.
    """
    for one in recordings:
        sensors = set(one.bench.sensors)
        joints = [joint for joint in one.joints if joint not in sensors]
        if name is None and len(joints) == 1:
            name = joints[0]
        if name not in joints:
            raise InputError(
                where="--joint",
                found="none" if name is None else repr(name),
                expected=f"a joint of {one.name}: {', '.join(joints)}",
            )
    return name or ""


def joint_facts(recording: Recording, joint: str) -> JointFacts:
    """Return what the bench file of a recording says of a joint."""
    settings = recording.bench.joint_named(joint)
    is_of_motor = True
    if recording.bench.has_frames(settings):
        positions = [
            value
            for frame in recording.bench.layout_of(settings).frame
            for value in frame.value
            if value.channel == "position_rad"
        ]
        # A raw encoder of the output, where there is a gear between it and the motor.
        is_of_motor = not any(
            value.encoder is not None and value.side == "output" and settings.gear_ratio != 1.0
            for value in positions
        )
    return JointFacts(
        name=joint,
        per_ampere=settings.torque.per_ampere if settings.torque else None,
        is_torque_derived=recording.bench.derives_torque(settings),
        torque_constant=recording.bench.torque_constant_of(settings),
        gear_ratio=settings.gear_ratio,
        rated_torque=settings.rated.torque,
        is_position_of_motor=is_of_motor,
    )


def whole_recording(recordings: Sequence[Recording]) -> tuple[NamedSpan, ...]:
    """Return each recording as one span, named `all`."""
    return tuple(
        NamedSpan(
            name="all" if len(recordings) == 1 else f"all{number}",
            start_ns=one.start_ns,
            end_ns=max(one.end_ns, one.start_ns + 1),
        )
        for number, one in enumerate(recordings, start=1)
    )


def read_spans(
    recordings: Sequence[Recording],
    joint: str,
    spans: Sequence[NamedSpan],
    channels: Mapping[str, str],
) -> tuple[SpanTrace, ...]:
    """Return named spans with every channel of a joint, and those of sensors, in order of time.

    Parameters
    ----------
    channels
        Name of a reading -> `SENSOR.CHANNEL` or a channel of the joint that it is taken from.

    Raises
    ------
    InputError
        Spans overlap or lie outside every recording, or a channel is not recorded.
    """
    in_order = sorted(spans, key=lambda one: (one.start_ns, one.end_ns))
    _check_spans(in_order)
    zero_ns = in_order[0].start_ns if in_order else 0
    traces = []
    for span in in_order:
        recording = _recording_of(recordings, span)
        own = [one for one in recording.channels(joint) if not one.endswith("_code")]
        sources = {name: (joint, name) for name in own}
        for name in channels.values():
            owner, dot, channel = name.rpartition(".")
            owner = owner if dot else joint
            if owner not in recording.joints or channel not in recording.channels(owner):
                raise InputError(
                    f"found {name!r}, expected a channel of {joint}, or SENSOR.CHANNEL, "
                    f"that {recording.name} has: {', '.join(_known(recording, joint))}.",
                    where="--channel",
                )
            sources[name] = owner, channel
        traces.append(_trace(recording, joint, span, sources, zero_ns))
    return tuple(traces)


def _known(recording: Recording, joint: str) -> list[str]:
    return [
        *recording.channels(joint),
        *(
            f"{sensor}.{channel}"
            for sensor in recording.bench.sensors
            for channel in recording.channels(sensor)
        ),
    ]


def _check_spans(in_order: Sequence[NamedSpan]) -> None:
    names = [one.name for one in in_order]
    for span in in_order:
        if names.count(span.name) > 1:
            raise InputError(
                f"found {span.name!r} twice, expected each name once: {span.name}1, {span.name}2.",
                where="--span",
            )
    for before, after in pairwise(in_order):
        if after.start_ns < before.end_ns:
            raise InputError(
                f"found {before.name!r} and {after.name!r} overlapping from "
                f"{iso_utc(after.start_ns)}, expected spans beside each other: what lies in both "
                "would count twice.",
                where="--span",
            )


def _recording_of(recordings: Sequence[Recording], span: NamedSpan) -> Recording:
    for one in recordings:
        if one.start_ns <= span.start_ns and span.end_ns <= one.end_ns + 1:
            return one
    spans = ", ".join(
        f"{one.name} ({iso_utc(one.start_ns)} to {iso_utc(one.end_ns)})" for one in recordings
    )
    raise InputError(
        f"found {iso_utc(span.start_ns)} to {iso_utc(span.end_ns)}, expected "
        f"a span within one recording: {spans}.",
        where=f"--span: {span.name}",
    )


def _trace(
    recording: Recording,
    joint: str,
    span: NamedSpan,
    sources: Mapping[str, tuple[str, str]],
    zero_ns: int,
) -> SpanTrace:
    series = {}
    segments = 1
    holders = dict.fromkeys(owner for owner, _ in sources.values())
    for owner in holders:
        names = [channel for of, channel in sources.values() if of == owner]
        batch = recording.read_readings(owner, span.start_ns, span.end_ns, channels=names)
        if len(batch) > MOST_ROWS:
            raise InputError(
                f"found {len(batch)} readings, expected at most {MOST_ROWS}: name a shorter span.",
                where=f"--span: {span.name}",
            )
        if owner == joint:
            positioned = batch.position_segment[batch.position_segment >= 0]
            segments = max(len(np.unique(positioned)), 1)
        for label, (of, channel) in sources.items():
            if of == owner:
                time_ns, values = batch.channel_series(channel)
                series[label] = to_s(time_ns - zero_ns), values
    return SpanTrace(
        holds_s={name: to_s(held) for name, held in recording.hold_ns(joint).items()},
        modes=control_modes(recording, joint, span, zero_ns),
        name=span.name,
        recording=recording.name,
        start_ns=span.start_ns,
        end_ns=span.end_ns,
        series=series,
        segments=segments,
        grids={
            name: grids[0].step
            for name, grids in recording.count_grids(joint).items()
            if is_channel(name) and len(grids) == 1 and _is_on_grid(series.get(name), grids[0])
        },
    )


def control_modes(
    recording: Recording, joint: str, span: NamedSpan, zero_ns: int
) -> tuple[tuple[float, str], ...]:
    """Return the control modes that the drive reports in its state, by the names of the layout."""
    named = _modes_by_code(recording, joint)
    if not named or STATE not in recording.channels(joint):
        return ()
    batch = recording.read_readings(joint, span.start_ns, span.end_ns, channels=[STATE])
    time_ns, codes = batch.channel_series(STATE)
    changed = np.flatnonzero(np.diff(codes, prepend=np.nan) != 0.0)
    return tuple(
        (float(to_s(int(time_ns[at]) - zero_ns)), named.get(int(codes[at]), "")) for at in changed
    )


def _modes_by_code(recording: Recording, joint: str) -> dict[int, str]:
    """Return code -> mode, for the states whose name says one; empty where none does."""
    settings = recording.bench.joint_named(joint)
    if not recording.bench.has_frames(settings):
        return {}
    named = {}
    for frame in recording.bench.layout_of(settings).frame:
        for value in frame.value:
            for code, words in value.names.items() if value.channel == STATE else ():
                modes = [
                    mode
                    for mode, known in MODE_WORDS.items()
                    if not known.isdisjoint(words.lower().replace("_", " ").split())
                ]
                if len(modes) == 1 and code.isdecimal():
                    named[int(code)] = modes[0]
    return named


def _is_on_grid(series: tuple[Floats, Floats] | None, grid: CountGrid) -> bool:
    """Return whether values are whole counts: a table that was imported may be finer than those."""
    if series is None or grid.float_bits:
        return False
    counts = (series[1][:2000] - grid.offset) / grid.step
    return bool(len(counts)) and float(np.abs(counts - np.rint(counts)).max()) < 1e-3
