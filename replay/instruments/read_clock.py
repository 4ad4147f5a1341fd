"""From a recording and one of its sensors to how far the sensor's clock is off: the one way in.

A short table is compared as a whole, of a long one the stretches in which it moves most, spread
over its span so that a drift shows.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.arrays import Floats, Ints, to_ns, to_s
from logger.joint.bench.bench import Sensor
from logger.joint.bench.instrument_clock import InstrumentClock
from logger.store.tools.sensor_clock import own_readings
from replay.instruments.clock import ClockCaution, ClockEstimate, estimate_clock
from replay.instruments.faults import ClockFault, ClockFaultKind
from replay.instruments.instrument_mode import InstrumentMode
from replay.instruments.match import Window
from replay.instruments.reference import reference_on_grid
from replay.recording import Recording

__all__ = ["ClockProposal", "read_clock"]

_WINDOW_S: Final = 60.0
_WINDOW_PERIODS: Final = 60
_MOST_WINDOWS: Final = 40
_MOST_READINGS: Final = 12_000
_HISTORY_S: Final = 120.0
"""What is read before a window, so that a slow sensor has forgotten what was before."""
_MOST_STEPS: Final = 60_000
"""Of a reference on its grid, for one window."""
_LEAST_MOVEMENT: Final = 0.05
"""Of what it moves in the stretch where it moves most."""
_LEAST_READINGS: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockProposal:
    """What an instrument's clock is off by, offered and not applied."""

    sensor: str
    sensor_channel: str
    joint: str
    channel: str
    period_s: float
    stamp_step_s: float
    """The step that its times are told in; 0: finer than a hundredth of its period."""
    middle_ns: int
    """The instrument's own time at which the offset holds."""
    estimate: ClockEstimate
    in_force: InstrumentClock | None
    """The correction that the recording has now."""

    @property
    def cautions(self) -> tuple[ClockCaution, ...]:
        """What has to be known before it is used."""
        if self.stamp_step_s < self.period_s / 2:
            return self.estimate.cautions
        return (*self.estimate.cautions, ClockCaution.WHOLE_STAMPS)

    @property
    def clock(self) -> InstrumentClock:
        """The correction that it proposes: a drift only where there is one."""
        estimate = self.estimate
        return InstrumentClock(
            offset_ns=to_ns(estimate.offset_s.value),
            drift_ppm=round(estimate.drift.value * 1e6, 3) if estimate.drift_matters else 0.0,
            middle_ns=self.middle_ns,
            low_s=round(estimate.offset_s.low, 6),
            high_s=round(estimate.offset_s.high, 6),
            found_from=f"{self.sensor_channel} against {self.channel} of {self.joint}",
        )

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "sensor": self.sensor,
            "sensor_channel": self.sensor_channel,
            "joint": self.joint,
            "channel": self.channel,
            "period_s": self.period_s,
            "stamp_step_s": self.stamp_step_s,
            **self.estimate.to_json(),
            "cautions": [str(one) for one in self.cautions],
            "in_force": None if self.in_force is None else self.in_force.model_dump(),
        }


def read_clock(
    recording: Recording,
    sensor_name: str,
    *,
    joint: str,
    channel: str | None = None,
    sensor_channel: str | None = None,
    within_s: float = 60.0,
    mode: InstrumentMode | None = None,
    report_progress: Callable[[float], None] = lambda _share: None,
) -> ClockProposal:
    """Return by how much the clock of a sensor is off, from what it and a joint both show.

    Parameters
    ----------
    channel, sensor_channel
        What is compared; None: the channel that both have.
    within_s
        How far the clock can be off at most, either way.
    mode
        Whether the sensor samples or takes means of a period; None: not known.

    Raises
    ------
    ClockFault
        There is no such sensor or channel, no overlap, or nothing that both show.
    """
    where = recording.name
    sensor = _sensor(recording, sensor_name)
    channel, sensor_channel = _channels(recording, sensor, joint, channel, sensor_channel)
    batches = list(own_readings(recording, sensor))
    times_ns = np.concatenate([batch.time_ns for batch in batches])
    values = np.concatenate([batch.columns[sensor_channel] for batch in batches])
    is_known = np.isfinite(values)
    times_ns, values = times_ns[is_known], values[is_known]
    no_overlap = ClockFault(
        ClockFaultKind.NO_OVERLAP, where=where, name=sensor_name, joint=joint, channel=channel
    )
    if len(times_ns) < _LEAST_READINGS:
        raise no_overlap
    period_s = float(to_s(np.median(np.diff(times_ns))))
    spans = _chosen_spans(times_ns, values, max(period_s, 1e-3))
    middle_ns = int((times_ns[spans[0][0]] + times_ns[spans[-1][1] - 1]) // 2)
    windows = []
    for at, (begin, end) in enumerate(spans):
        report_progress(at / len(spans))
        window = _window(
            recording, joint, channel, times_ns[begin:end], values[begin:end],
            middle_ns=middle_ns, reach_s=within_s, period_s=period_s,
        )  # fmt: skip
        if window is not None:
            windows.append(window)
    if sum(len(window.times_s) for window in windows) < _LEAST_READINGS:
        raise no_overlap
    estimate = estimate_clock(windows, period_s=period_s, within_s=within_s, mode=mode)
    if estimate is None:
        raise ClockFault(
            ClockFaultKind.NO_COMMON_EVENT,
            where=where, name=sensor_name, joint=joint, channel=channel,
            within=f"{within_s:g} s",
        )  # fmt: skip
    return ClockProposal(
        sensor=sensor_name,
        sensor_channel=sensor_channel,
        joint=joint,
        channel=channel,
        period_s=period_s,
        stamp_step_s=_stamp_step_s(times_ns, period_s),
        middle_ns=middle_ns,
        estimate=estimate,
        in_force=sensor.clock,
    )


def _sensor(recording: Recording, name: str) -> Sensor:
    for one in recording.bench.joints:
        if isinstance(one, Sensor) and one.name == name:
            return one
    known = ", ".join(recording.bench.sensors) or "none"
    raise ClockFault(ClockFaultKind.NO_SENSOR, where=recording.name, name=name, known=known)


def _channels(
    recording: Recording,
    sensor: Sensor,
    joint: str,
    channel: str | None,
    sensor_channel: str | None,
) -> tuple[str, str]:
    known = {joint: recording.channels(joint), sensor.name: sensor.channels}
    for name, wanted in ((joint, channel), (sensor.name, sensor_channel)):
        if wanted is not None and wanted not in known[name]:
            raise ClockFault(
                ClockFaultKind.NO_CHANNEL,
                where=recording.name, channel=wanted, name=name, known=", ".join(known[name]),
            )  # fmt: skip
    both = [one for one in sensor.channels if one in known[joint]]
    if channel is None:
        channel = sensor_channel if sensor_channel in both else next(iter(both), None)
    if sensor_channel is None:
        only = sensor.channels[0] if len(sensor.channels) == 1 else None
        sensor_channel = channel if channel in both else only
    if channel is None or sensor_channel is None:
        raise ClockFault(
            ClockFaultKind.WHICH_CHANNEL,
            where=recording.name, name=sensor.name, joint=joint,
            joint_known=", ".join(known[joint]), known=", ".join(sensor.channels),
        )  # fmt: skip
    return channel, sensor_channel


def _chosen_spans(times_ns: Ints, values: Floats, period_s: float) -> list[tuple[int, int]]:
    """Return the first and end row of each stretch that is compared, in order."""
    width = to_ns(max(_WINDOW_S, _WINDOW_PERIODS * period_s))
    places = (times_ns - times_ns[0]) // width
    begins = np.flatnonzero(np.r_[True, places[1:] != places[:-1]])
    ends = np.r_[begins[1:], len(times_ns)]
    moved = np.array([np.ptp(values[a:b]) for a, b in zip(begins, ends, strict=True)])
    most = int(min(_MOST_WINDOWS, max(_MOST_READINGS * period_s / to_s(width), 2)))
    if len(begins) > most:
        # The one that moves most of each section, so that they lie apart.
        sections = np.array_split(np.arange(len(begins)), most)
        best = [int(section[np.argmax(moved[section])]) for section in sections]
        begins, ends, moved = begins[best], ends[best], moved[best]
    # Where it stands still there is nothing to compare.
    moves = moved > _LEAST_MOVEMENT * moved.max()
    if np.any(moves):
        begins, ends = begins[moves], ends[moves]
    return [(int(a), int(b)) for a, b in zip(begins, ends, strict=True) if b - a > 2]


def _window(
    recording: Recording,
    joint: str,
    channel: str,
    times_ns: Ints,
    values: Floats,
    *,
    middle_ns: int,
    reach_s: float,
    period_s: float,
) -> Window | None:
    """Return a stretch of the sensor with what the joint did around it; None where it did nothing.

    Only readings around whose every possible time the joint was recorded are taken.
    """
    reach_ns = to_ns(reach_s)
    first_ns = int(times_ns[0]) - reach_ns - to_ns(_HISTORY_S)
    last_ns = int(times_ns[-1]) + reach_ns
    rows = recording.read_readings(joint, first_ns, last_ns + 1, channels=[channel])
    at_ns, course = rows.channel_series(channel)
    if len(at_ns) < _LEAST_READINGS:
        return None
    inside = (times_ns >= at_ns[0] - reach_ns) & (times_ns <= at_ns[-1] + reach_ns)
    if np.count_nonzero(inside) <= 2:
        return None
    at_s = to_s(at_ns - middle_ns)
    start_s, end_s = float(at_s[0]), float(at_s[-1])
    own_s = float(np.median(np.diff(at_s)))
    step_s = max(min(own_s, period_s / 5), (end_s - start_s) / _MOST_STEPS, 1e-4)
    return Window(
        times_s=to_s(times_ns[inside] - middle_ns),
        values=values[inside],
        reference=reference_on_grid(at_s, course, start_s=start_s, end_s=end_s, step_s=step_s),
    )


def _stamp_step_s(times_ns: Ints, period_s: float) -> float:
    """Return the coarsest usual step that all of its times are multiples of."""
    for step_ns in (60 * 10**9, 10 * 10**9, 10**9, 10**8, 10**7):
        if to_s(step_ns) < period_s / 100:
            break
        if not np.any(times_ns % step_ns):
            return float(to_s(step_ns))
    return 0.0
