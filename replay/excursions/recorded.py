"""Every stretch beyond a limit as some limits raised it: without evaluating the rows again.

`recorded_excursions` says of the limits that were in force what `replay.excursions.over_rows`
says, by the
recording's own events. `stretches` and `led_up` are its two halves: a page lists thousands at once,
and asks what led up to those that it shows.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from logger.joint.bench.joint_settings import Rated
from logger.limits.bus import OfRecorder
from logger.limits.kind import Kind
from logger.limits.lifecycle import Alert
from logger.limits.limit import Limit
from logger.limits.silence import Silence
from replay.excursions.alert_peaks import furthest
from replay.excursions.applied_limits import Watch, onset_of, recorded
from replay.excursions.excursion import Excursion, in_order, told, with_lead_up
from replay.excursions.over_rows import excursions, judged
from replay.recording import Recording

__all__ = ["led_up", "recorded_excursions", "some_stretches", "stretches"]


def recorded_excursions(recording: Recording) -> list[Excursion]:
    """Return every stretch beyond a limit that was raised at the time, in order of its start.

    What `excursions` says of the limits that were in force, by the recording's own events. Two
    things they do not keep, and the rows are evaluated for them: how far a thermal image, a rise or
    an error has gone that stands at the end (of its joint), and events that were lost (of all).
    What was raised before the beginning of a cut is told, and what a sensor that joined afterwards
    would have raised is not: nobody was told of it.
    """
    if _events_lost(recording):
        return excursions(recording)
    watch = recorded(recording)
    found = led_up(recording, watch, stretches(recording, watch))
    worst = {
        joint: judged(recording, watch.sets, joint).worst
        for joint in sorted({one.joint for one in found if one.peak_at_raise})
    }
    return [
        _told_peak(watch, one, worst[one.joint].get(one.limit, one.peak))
        if one.peak_at_raise
        else one
        for one in found
    ]


def _events_lost(recording: Recording) -> bool:
    numbers = [event.sequence for event in recording.events()]
    ended = recording.manifest.rows.get("events", 0)
    return len(numbers) < ended or any(after != one + 1 for one, after in pairwise(numbers))


def stretches(recording: Recording, watch: Watch) -> list[Excursion]:
    """Return what some limits raised as excursions, in order of their start; reads no rows.

    What led up to them is empty, and a peak that no event tells is NaN: see `led_up`.
    """
    return some_stretches(recording, watch, first=0, count=len(watch.alerts))[0]


def some_stretches(
    recording: Recording, watch: Watch, *, first: int, count: int
) -> tuple[list[Excursion], int]:
    """Return those of `stretches` that stand at [first, first + count), and how many there are."""
    found: list[tuple[Alert, Limit]] = []
    rated = {joint: recording.bench.joint(joint).rated for joint in recording.joints}
    for alert in watch.alerts:
        limit = watch.limit_of(alert.limit, alert.raised_ns)
        over = alert.returned_ns is not None and alert.returned_ns <= recording.start_ns
        # What the recorder watches about itself is no excursion of a joint.
        if alert.joint not in rated or limit is None or isinstance(limit, OfRecorder) or over:
            continue
        found.append((alert, limit))
    found.sort(key=lambda one: (one[0].raised_ns, one[0].joint, one[0].limit))
    some = [
        _stretch(recording, limit, alert, rated[alert.joint], others=watch.others)
        for alert, limit in found[first : first + count]
    ]
    return some, len(found)


def _stretch(
    recording: Recording, limit: Limit, alert: Alert, rated: Rated, *, others: bool
) -> Excursion:
    onset_ns = onset_of(alert, limit)
    stands = alert.returned_ns is None
    end_ns = recording.end_ns if alert.returned_ns is None else alert.returned_ns
    channel = limit.told_channel if isinstance(limit, Kind) else ""
    peak = alert.peak
    if isinstance(limit, Silence):
        peak = (end_ns - onset_ns) * 1e-9 if stands or others else peak
    elif stands and channel:
        peak = math.nan
    return Excursion(
        joint=alert.joint,
        limit=alert.limit,
        severity=alert.severity,
        channel=channel,
        onset_ns=onset_ns,
        start_ns=alert.raised_ns,
        duration_s=(end_ns - alert.raised_ns) * 1e-9,
        peak=peak,
        peak_words=told(limit, peak),
        ongoing=stands,
        rms_torque_Nm={},
        rated_torque_Nm=rated.torque,
        near=(),
        peak_at_raise=stands and not channel and not isinstance(limit, Silence) and not others,
    )


def led_up(recording: Recording, watch: Watch, found: Sequence[Excursion]) -> list[Excursion]:
    """Return excursions of `stretches` with what led up to them and the peaks that rows tell.

    Costs some reads each, and one of the pyramid for all of a joint.
    """
    found_of: list[Excursion] = []
    for joint in recording.joints:
        found_of += with_lead_up(recording, [one for one in found if one.joint == joint])
    return sorted((_reached(recording, watch, one) for one in found_of), key=in_order)


def _reached(recording: Recording, watch: Watch, one: Excursion) -> Excursion:
    limit = watch.limit_of(one.limit, one.start_ns)
    if not math.isnan(one.peak) or not isinstance(limit, Kind):
        return one
    end_ns = one.start_ns + round(one.duration_s * 1e9)
    return _told_peak(watch, one, furthest(recording, one.joint, limit, one.onset_ns, end_ns))


def _told_peak(watch: Watch, one: Excursion, peak: float) -> Excursion:
    limit = watch.limit_of(one.limit, one.start_ns)
    assert limit is not None, "`stretches` has found it"
    return replace(one, peak=peak, peak_words=told(limit, peak), peak_at_raise=False)
