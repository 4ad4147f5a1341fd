"""The load of a joint as a recording has it: its seconds from the pyramid, steps from its rows."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats, to_ns, to_s
from logger.joint.time_weighted import Buckets
from logger.store.pyramid.seconds import BASE_NS
from replay.duty.cycle_search import UniformLoad
from replay.duty.duty_type import LoadProfile
from replay.duty.faults import DutyFault, DutyFaultKind
from replay.duty.held_steps import HeldSteps, held_steps
from replay.duty.rms_windows import SecondLoads
from replay.recording import Recording

__all__ = [
    "LoadSource",
    "dense_seconds",
    "load_profile",
    "load_seconds",
    "load_source",
    "read_seconds",
    "read_steps",
    "second_loads",
    "uniform_load",
]

TORQUE_CHANNEL: Final = "torque_Nm"
CURRENT_CHANNEL: Final = "current_A"
SPEED_CHANNEL: Final = "speed_rad_s"
LEAST_S: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSource:
    """What is read: the load and speed of a joint over a span of whole seconds."""

    recording: Recording
    joint: str
    load: str
    """`torque_Nm`, or `current_A`."""
    factor: float
    """Load for one of what the channel reads: N.m for an ampere where no torque is recorded and
    the bench file declares it; else 1."""
    has_speed: bool
    start_ns: int
    end_ns: int

    @property
    def unit(self) -> str:
        """UCUM."""
        return "N.m" if self.is_torque else "A"

    @property
    def is_torque(self) -> bool:
        """Whether the load is a torque, be it made from a current."""
        return self.load == TORQUE_CHANNEL or self.factor != 1.0

    @property
    def seconds(self) -> int:
        """Length of the span."""
        return (self.end_ns - self.start_ns) // BASE_NS


def load_source(
    recording: Recording,
    joint: str,
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    prefers_current: bool = False,
) -> LoadSource:
    """Return what can be read of a joint's load; a span is widened to whole seconds.

    Raises
    ------
    DutyFault
        The span is none, or holds no torque and no current of the joint.
    """
    first = recording.start_ns if start_ns is None else max(start_ns, recording.start_ns)
    last = recording.end_ns if end_ns is None else min(end_ns, recording.end_ns)
    if last <= first:
        raise DutyFault(DutyFaultKind.NO_SPAN, where=recording.name, joint=joint)
    first, last = first // BASE_NS * BASE_NS, -(-last // BASE_NS) * BASE_NS
    settings = recording.bench.joint_named(joint)
    per_ampere = settings.torque.per_ampere if settings.torque else 1.0
    names = (
        (CURRENT_CHANNEL, TORQUE_CHANNEL) if prefers_current else (TORQUE_CHANNEL, CURRENT_CHANNEL)
    )
    for name in names:
        if name not in recording.channels(joint):
            continue
        found = recording.read_buckets(joint, name, first, last)
        if not len(found):
            continue
        held_s = float(found.duration_s.sum())
        if held_s < LEAST_S:
            raise DutyFault(
                DutyFaultKind.TOO_SHORT, where=recording.name, joint=joint, found_s=held_s
            )
        return LoadSource(
            recording=recording,
            joint=joint,
            load=name,
            factor=per_ampere if name == CURRENT_CHANNEL and not prefers_current else 1.0,
            has_speed=SPEED_CHANNEL in recording.channels(joint)
            and len(recording.read_buckets(joint, SPEED_CHANNEL, first, last)) > 0,
            start_ns=first,
            end_ns=last,
        )
    raise DutyFault(DutyFaultKind.NO_LOAD, where=recording.name, joint=joint)


def read_seconds(source: LoadSource, channel: str) -> Buckets:
    """Return the seconds of a channel of the joint over the span."""
    return source.recording.read_buckets(source.joint, channel, source.start_ns, source.end_ns)


def load_seconds(source: LoadSource) -> Buckets:
    """Return the seconds of the load over the span, in its unit."""
    found, factor = read_seconds(source, source.load), source.factor
    if factor == 1.0:
        return found
    scaled = {
        name: getattr(found, name) * factor
        for name in ("mean", "minimum", "maximum", "first", "last")
    }
    return replace(found, m2=found.m2 * factor**2, **scaled)


def second_loads(source: LoadSource, buckets: Buckets) -> SecondLoads:
    """Return the seconds of a load, none left out."""
    peak = np.maximum(np.abs(buckets.minimum), np.abs(buckets.maximum))
    return SecondLoads(
        start_ns=source.start_ns,
        held_s=dense_seconds(source, buckets, buckets.duration_s, missing=0.0),
        energy=dense_seconds(
            source, buckets, buckets.m2 + buckets.duration_s * buckets.mean**2, missing=0.0
        ),
        peak_square=dense_seconds(source, buckets, peak**2, missing=0.0),
    )


def dense_seconds(
    source: LoadSource, buckets: Buckets, values: Floats, *, missing: float
) -> Floats:
    """Return a value for each second of the span, `missing` where there is no bucket."""
    out = np.full(source.seconds, missing)
    out[(buckets.start_ns - source.start_ns) // BASE_NS] = values
    return out


def read_steps(source: LoadSource, start_ns: int, end_ns: int) -> HeldSteps:
    """Return load and speed of [start_ns, end_ns) as steps, what is held into it included."""
    names = [source.load, *([SPEED_CHANNEL] if source.has_speed else [])]
    rows = source.recording.read_readings(
        source.joint, start_ns, end_ns, channels=names, lead_in=True
    )
    holds = source.recording.hold_ns(source.joint)
    return held_steps(
        rows.time_ns,
        rows.columns[source.load] * source.factor,
        rows.columns[SPEED_CHANNEL] if source.has_speed else None,
        load_hold_ns=holds[source.load],
        speed_hold_ns=holds.get(SPEED_CHANNEL, 0),
        start_ns=start_ns,
        end_ns=min(end_ns, source.recording.end_ns),
    )


def uniform_load(source: LoadSource, begin_s: float, span_s: float, step_s: float) -> UniformLoad:
    """Return the load as means over equal steps, from `begin_s` behind the start of the span on."""
    steps, edge_s = _stretch(source, begin_s, span_s, step_s)
    return UniformLoad(
        begin_s=begin_s, step_s=step_s, load=_means(steps, steps.load, edge_s, source.start_ns)
    )


def load_profile(source: LoadSource, begin_s: float, span_s: float, step_s: float) -> LoadProfile:
    """Return the magnitudes of load and speed as means over equal steps."""
    steps, edge_s = _stretch(source, begin_s, span_s, step_s)
    turning = np.isfinite(steps.speed)
    return LoadProfile(
        load=_means(steps, np.abs(steps.load), edge_s, source.start_ns),
        speed=_means(
            HeldSteps(
                begin_ns=steps.begin_ns[turning],
                end_ns=steps.end_ns[turning],
                load=steps.load[turning],
                speed=steps.speed[turning],
            ),
            np.abs(steps.speed[turning]),
            edge_s,
            source.start_ns,
        ),
    )


def _stretch(
    source: LoadSource, begin_s: float, span_s: float, step_s: float
) -> tuple[HeldSteps, Floats]:
    edge_s: Floats = begin_s + np.arange(int(span_s / step_s) + 1, dtype=np.float64) * step_s
    begin_ns = source.start_ns + to_ns(begin_s)
    end_ns = min(source.start_ns + to_ns(float(edge_s[-1])), source.end_ns)
    return read_steps(source, begin_ns, end_ns), edge_s


def _means(steps: HeldSteps, values: Floats, edge_s: Floats, start_ns: int) -> Floats:
    """Return time-weighted means between edges, NaN where less than half of a step is held."""
    if not len(values):
        return np.full(len(edge_s) - 1, np.nan)
    begin, end = (to_s(one - start_ns) for one in (steps.begin_ns, steps.end_ns))
    # A gap lies between the end of one step and the begin of the next.
    at = np.stack([begin, end], 1).reshape(-1)
    zero = np.zeros(len(values))
    held = np.cumsum(np.stack([zero, end - begin], 1).reshape(-1))
    sums = np.cumsum(np.stack([zero, values * (end - begin)], 1).reshape(-1))
    held_each = np.diff(np.interp(edge_s, at, held))
    each = np.diff(np.interp(edge_s, at, sums))
    out = np.full(len(each), np.nan)
    is_held = held_each > 0.5 * np.diff(edge_s)
    np.divide(each, held_each, out=out, where=is_held)
    return out
