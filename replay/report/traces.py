"""The overview of one joint over a whole recording, read for one figure: rows of bands and lines.

A few hundred buckets a channel from the pyramid, lowest and highest of each: no extreme is lost,
and what is read does not grow with the recording.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.channels import channel_named, in_channel_order
from logger.joint.quantities import DISPLAYS
from logger.joint.time_weighted import Buckets
from logger.limits.limit import LimitSet
from logger.limits.limit_lines import levels_of
from logger.store.pyramid.seconds import BASE_NS
from replay.recording import Recording
from replay.window import bin_width_ns, read_envelope

__all__ = ["Trace", "TraceLevel", "TraceRow", "read_trace_rows"]

_BINS: Final = 300
_MOST_TRACES: Final = 4
"""In a row: so many dashes can be told apart."""
_LOADS: Final = ("torque_Nm", "current_A")
_ROWS: Final = ("temperature", "torque", "current", "speed", "voltage")


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One channel in buckets, in the unit in which it is shown; NaN in a gap."""

    channel: str
    label: str
    edges_s: Floats
    """Of m buckets, shape (m + 1,), in s since the start of the recording."""
    lowest: Floats
    highest: Floats
    middle: Floats
    """Mean of each bucket; of a load its RMS, which is what heats."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceLevel:
    """A level of a limit in a row."""

    value: float
    label: str
    is_trip: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRow:
    """Traces of one quantity above one time axis."""

    quantity: str
    title: str
    unit: str
    decimals: int
    note: str
    """What line and band are."""
    traces: tuple[Trace, ...]
    levels: tuple[TraceLevel, ...]


def read_trace_rows(recording: Recording, joint: str, limits: LimitSet) -> tuple[TraceRow, ...]:
    """Return the rows of a joint's overview, those that have a value; `limits`: in force last."""
    length_ns = recording.end_ns - recording.start_ns
    if length_ns <= 0:
        return ()

    def _traces(*names: str) -> list[Trace]:
        """Return the traces of channels that have a value."""
        read = [_read_trace(recording, joint, name) for name in names]
        return [one for one in read if np.isfinite(one.lowest).any()]

    carried = in_channel_order(
        name for name in recording.channels(joint) if not channel_named(name).setpoint
    )
    # The load alone: torque, or the current where no torque has a value.
    found = [trace for name in _LOADS if name in carried for trace in _traces(name)]
    load = found[0].channel if found else None
    rows = []
    for quantity in _ROWS:
        if load is not None and quantity in {"torque", "current"}:
            traces = found[:1] if channel_named(load).quantity == quantity else []
        else:
            names = [name for name in carried if channel_named(name).quantity == quantity]
            traces = _traces(*names[:_MOST_TRACES])
        if traces:
            rows.append(_trace_row(recording, joint, traces, limits, length_ns))
    return tuple(rows)


def _trace_row(
    recording: Recording, joint: str, traces: list[Trace], limits: LimitSet, length_ns: int
) -> TraceRow:
    first = channel_named(traces[0].channel)
    display = DISPLAYS[first.quantity]
    width_s = bin_width_ns(length_ns, bins=_BINS) / 1e9
    step = f"{width_s / 60:g} min" if width_s >= 60 else f"{width_s:g} s"
    is_load = first.name in _LOADS and width_s >= 1.0
    return TraceRow(
        quantity=first.quantity,
        title=first.of.label,
        unit=display.unit,
        decimals=display.decimals,
        note=f"line: {'RMS' if is_load else 'mean'} of {step}; grey: lowest to highest",
        traces=tuple(traces),
        levels=tuple(_trace_levels(recording, joint, {one.channel for one in traces}, limits)),
    )


def _trace_levels(
    recording: Recording, joint: str, channels: set[str], limits: LimitSet
) -> list[TraceLevel]:
    rated = recording.bench.joint_named(joint).rated
    found = []
    is_sensor = joint in recording.bench.sensors
    for limit in limits.for_joint(joint, recording.channels(joint), sensor=is_sensor):
        for level in levels_of(limit, rated):
            if level.channel not in channels:
                continue
            display = DISPLAYS[channel_named(level.channel).quantity]
            shown = level.pick_up * display.factor
            beyond = "from" if level.is_rising else "below"
            place = channel_named(level.channel)
            of = f"{place.label} " if place.place and len(channels) > 1 else ""
            found.append(
                TraceLevel(
                    value=shown,
                    label=f"{of}{level.prefix}{level.severity} {beyond} {shown:g}",
                    is_trip=level.severity == "trip",
                )
            )
    return found


def _read_trace(recording: Recording, joint: str, channel: str) -> Trace:
    start_ns, end_ns = recording.start_ns, recording.end_ns
    width_ns = bin_width_ns(end_ns - start_ns, bins=_BINS)
    of = channel_named(channel)
    factor = DISPLAYS[of.quantity].factor
    if width_ns >= BASE_NS:
        first_ns = start_ns // width_ns * width_ns
        last_ns = -(-end_ns // width_ns) * width_ns
        buckets = recording.read_buckets(joint, channel, first_ns, last_ns, width_ns=width_ns)
        lowest, highest, middle = _spread(
            buckets, first_ns, (last_ns - first_ns) // width_ns, is_load=channel in _LOADS
        )
    else:
        envelope = read_envelope(recording, joint, channel, start_ns, end_ns, bins=_BINS)
        first_ns = int(envelope.start_ns[0])
        lowest, highest, middle = envelope.minimum, envelope.maximum, envelope.mean
    edges_ns = first_ns + width_ns * np.arange(len(lowest) + 1, dtype=np.int64)
    edges_s = np.clip((edges_ns - start_ns) / 1e9, 0.0, (end_ns - start_ns) / 1e9)
    return Trace(
        channel=channel,
        label=of.label if of.place else "",
        edges_s=edges_s,
        lowest=lowest * factor,
        highest=highest * factor,
        middle=middle * factor,
    )


def _spread(
    buckets: Buckets, first_ns: int, count: int, *, is_load: bool
) -> tuple[Floats, Floats, Floats]:
    """Return lowest, highest, and mean or RMS of each bucket of the grid; NaN where none is."""
    place = (buckets.start_ns - first_ns) // buckets.width_ns
    middle = buckets.mean
    if is_load:
        held_s = np.maximum(buckets.duration_s, 1e-9)
        middle = np.sqrt(buckets.mean**2 + np.maximum(buckets.m2, 0.0) / held_s)
    found = []
    for values in (buckets.minimum, buckets.maximum, middle):
        column = np.full(count, np.nan)
        column[place] = values
        found.append(column)
    return found[0], found[1], found[2]
