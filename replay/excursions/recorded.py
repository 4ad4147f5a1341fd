"""Every excursion from the alerts that limits raised, without evaluating the rows again.

`recorded_excursions` gives what `over_rows.find_excursions` gives for the limits that were in
force, from the events of the recording. `excursions_from_alerts` and `complete_excursions` are its
two halves: a page lists thousands of excursions at once, and reads the lead-up only of those that
it shows.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

from logger.arrays import to_ns, to_s
from logger.joint.bench.joint_settings import RatedValues
from logger.limits.kind import JointLimit
from logger.limits.lifecycle import Alert
from logger.limits.scored_limit import ScoredLimit
from replay.excursions.alert_peaks import extreme_reading
from replay.excursions.applied_limits import AppliedLimits, alert_onset_ns, recorded_limits
from replay.excursions.excursion import Excursion, add_lead_up, excursion_order, format_peak
from replay.excursions.over_rows import evaluate_joint, find_excursions
from replay.recording import Recording

__all__ = [
    "complete_excursions",
    "excursions_from_alerts",
    "page_of_excursions",
    "recorded_excursions",
]


def recorded_excursions(recording: Recording) -> list[Excursion]:
    """Return every excursion that was raised at the time, in order of its start.

    The rows are evaluated only for what events do not hold: the peak of a thermal image, a rise or
    an error that is active at the end (the rows of that joint), and events that were lost (all
    rows). Other than `find_excursions`, alerts raised before the beginning of a cut are included,
    and what a sensor that was joined afterwards would have raised is not: it was never raised.
    """
    if _has_lost_events(recording):
        return find_excursions(recording)
    applied = recorded_limits(recording)
    completed = complete_excursions(recording, applied, excursions_from_alerts(recording, applied))
    open_peaks = {
        joint: evaluate_joint(recording, applied.limit_sets, joint).open_peaks
        for joint in sorted({excursion.joint for excursion in completed if excursion.peak_at_raise})
    }
    return [
        _with_peak(
            applied, excursion, open_peaks[excursion.joint].get(excursion.limit, excursion.peak)
        )
        if excursion.peak_at_raise
        else excursion
        for excursion in completed
    ]


def _has_lost_events(recording: Recording) -> bool:
    numbers = [event.sequence for event in recording.read_events()]
    row_count = recording.manifest.rows.get("events", 0)
    return len(numbers) < row_count or any(
        next_number != number + 1 for number, next_number in pairwise(numbers)
    )


def excursions_from_alerts(recording: Recording, applied: AppliedLimits) -> list[Excursion]:
    """Return the alerts of joints as excursions, in order of their start; reads no rows.

    Their lead-up is empty, and a peak that no event has is NaN: see `complete_excursions`.
    """
    return page_of_excursions(recording, applied, first=0, count=len(applied.alerts))[0]


def page_of_excursions(
    recording: Recording,
    applied: AppliedLimits,
    *,
    first: int,
    count: int,
    order: Callable[[Alert], tuple[bool, ...]] = lambda _: (),
    chosen: Callable[[Alert], bool] = lambda _: True,
) -> tuple[list[Excursion], int]:
    """Return [first, first + count) of the excursions that are chosen, and how many these are.

    Parameters
    ----------
    order
        What they are sorted by before their start.
    chosen
        Whether an alert is one of them.
    """
    raised_alerts: list[tuple[Alert, JointLimit]] = []
    rated = {joint: recording.bench.joint_named(joint).rated for joint in recording.joints}
    for alert in applied.alerts:
        limit = applied.limit_at_raise(alert.limit, alert.raised_ns)
        ended_before_start = (
            alert.returned_ns is not None and alert.returned_ns <= recording.start_ns
        )
        # An alert on the recorder itself is no excursion of a joint.
        if alert.joint not in rated or not isinstance(limit, JointLimit) or ended_before_start:
            continue
        if not chosen(alert):
            continue
        raised_alerts.append((alert, limit))
    raised_alerts.sort(
        key=lambda pair: (*order(pair[0]), pair[0].raised_ns, pair[0].joint, pair[0].limit)
    )
    page = [
        _alert_to_excursion(
            recording, limit, alert, rated[alert.joint], hypothetical=applied.hypothetical
        )
        for alert, limit in raised_alerts[first : first + count]
    ]
    return page, len(raised_alerts)


def _alert_to_excursion(
    recording: Recording, limit: JointLimit, alert: Alert, rated: RatedValues, *, hypothetical: bool
) -> Excursion:
    onset_ns = alert_onset_ns(alert, limit)
    is_open = alert.returned_ns is None
    end_ns = recording.end_ns if alert.returned_ns is None else alert.returned_ns
    channel = limit.reported_channel
    peak = alert.peak
    if limit.watches_gaps:
        peak = to_s(end_ns - onset_ns) if is_open or hypothetical else peak
    elif is_open and channel:
        peak = math.nan
    return Excursion(
        joint=alert.joint,
        limit=alert.limit,
        severity=alert.severity,
        channel=channel,
        onset_ns=onset_ns,
        start_ns=alert.raised_ns,
        duration_s=to_s(end_ns - alert.raised_ns),
        peak=peak,
        peak_text=format_peak(limit, peak),
        ongoing=is_open,
        rms_torque_Nm={},
        rated_torque_Nm=rated.torque,
        nearby=(),
        peak_at_raise=is_open and not channel and not limit.watches_gaps and not hypothetical,
    )


def complete_excursions(
    recording: Recording, applied: AppliedLimits, excursions: Sequence[Excursion]
) -> list[Excursion]:
    """Return excursions of `excursions_from_alerts` with their lead-up and missing peaks filled in.

    In the order that they have. Costs one read of the pyramid for each joint, and short reads for
    peaks that are missing.
    """
    completed: list[Excursion] = []
    for joint in recording.joints:
        completed += add_lead_up(
            recording, [excursion for excursion in excursions if excursion.joint == joint]
        )
    places = {excursion_order(excursion): place for place, excursion in enumerate(excursions)}
    return sorted(
        (_with_peak_from_rows(recording, applied, excursion) for excursion in completed),
        key=lambda excursion: places[excursion_order(excursion)],
    )


def _with_peak_from_rows(
    recording: Recording, applied: AppliedLimits, excursion: Excursion
) -> Excursion:
    limit = applied.limit_at_raise(excursion.limit, excursion.start_ns)
    if not math.isnan(excursion.peak) or not isinstance(limit, ScoredLimit):
        return excursion
    end_ns = excursion.start_ns + to_ns(excursion.duration_s)
    return _with_peak(
        applied,
        excursion,
        extreme_reading(recording, excursion.joint, limit, excursion.onset_ns, end_ns),
    )


def _with_peak(applied: AppliedLimits, excursion: Excursion, peak: float) -> Excursion:
    limit = applied.limit_at_raise(excursion.limit, excursion.start_ns)
    assert limit is not None, "`page_of_excursions` has found it"
    return replace(excursion, peak=peak, peak_text=format_peak(limit, peak), peak_at_raise=False)
