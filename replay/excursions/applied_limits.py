"""The limits that applied over a recording and what they raised, as recorded or hypothetically.

As recorded, the alerts follow from the events and no rows are read. Hypothetical limits are
evaluated by the exact short ways of `replay.evaluation`, once for each state of a recording; a few
results are cached. Safe to call from several threads: one evaluates, the others wait for it.
"""

import hashlib
import threading
from dataclasses import dataclass, replace
from typing import Final
from weakref import WeakKeyDictionary

from logger.arrays import to_ns
from logger.event_kind import EventKind
from logger.limits.lifecycle import Alert
from logger.limits.limit import AnyJointLimit, Limit, LimitSet, in_force
from replay.evaluation.alert_arrays import STANDING_NS, AlertArrays
from replay.evaluation.tasks import evaluate_limits
from replay.recording import Recording
from replay.single_flight import SingleFlight

__all__ = ["AppliedLimits", "alert_onset_ns", "hypothetical_limits", "recorded_limits"]

MAX_HYPOTHETICAL_CACHED: Final = 8
"""Results under hypothetical limits that are cached."""
_LIVE_STATE_STEP_NS: Final = 60 * 1_000_000_000
"""A live recording is evaluated again once a minute at most."""
_CacheState = tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedLimits:
    """Limits over a whole recording, and the alerts that they raised in it."""

    limit_sets: tuple[tuple[int, LimitSet], ...]
    """(Since when, which limits were in force), in order of time; the first since the start."""
    alerts: tuple[Alert, ...]
    """In the order in which they were raised."""
    hypothetical: bool = False
    """Whether the limits are others than those in force: nothing was raised at the time."""

    @property
    def limits(self) -> LimitSet:
        """The limits in force last."""
        return self.limit_sets[-1][1]

    def limit_at_raise(self, name: str, raised_ns: int) -> Limit | None:
        """Return the limit that raised an alert, as it was then; None if no file has one."""
        in_force_then = in_force(self.limit_sets, raised_ns).by_name(name)
        if in_force_then is not None:
            return in_force_then
        # Raised at the very instant of a change of limits, or before the beginning of a cut.
        of_any_set = (
            limit for _, limits in self.limit_sets if (limit := limits.by_name(name)) is not None
        )
        return next(of_any_set, None)


def alert_onset_ns(alert: Alert, limit: Limit) -> int:
    """Return the time of the first reading at which the condition of an alert held.

    Older recordings lack it; then the latest instant at which it can have been.
    """
    if alert.onset_ns is not None:
        return alert.onset_ns
    return alert.raised_ns - to_ns(limit.delay_s)


_recorded_cache: "WeakKeyDictionary[Recording, tuple[_CacheState, AppliedLimits]]" = (
    WeakKeyDictionary()
)
_cache_lock: Final = threading.Lock()


def recorded_limits(recording: Recording) -> AppliedLimits:
    """Return the limits in force and the alerts raised at the time, from the recording's events."""
    events = recording.read_events()
    # Events are only ever appended, so their count and the newest time identify them.
    state = (len(events), events[-1].time_ns if events else 0, len(recording.limit_sets))
    with _cache_lock:
        cached = _recorded_cache.get(recording)
    if cached is not None and cached[0] == state:
        return cached[1]
    applied = AppliedLimits(limit_sets=recording.limit_sets, alerts=recording.read_alerts())
    with _cache_lock:
        _recorded_cache[recording] = (state, applied)
    return applied


def hypothetical_limits(recording: Recording, limits: LimitSet) -> AppliedLimits:
    """Return what other limits would have raised, had they been in force from start to end.

    Each limit applies to every joint that it fits, as live. The alerts have an onset but no peak
    (`alert_peaks.extreme_reading` reads that of one). Limits on the recorder itself raise nothing:
    they do not depend on readings. The result for a live recording may be a minute old.
    """
    key = (
        str(recording.path),
        hashlib.sha256(limits.text.encode()).hexdigest(),
        *_cache_state(recording),
    )
    return _hypothetical_cache.get(key, lambda: _evaluate_hypothetical(recording, limits))


_hypothetical_cache: Final[SingleFlight[AppliedLimits]] = SingleFlight(most=MAX_HYPOTHETICAL_CACHED)


def _cache_state(recording: Recording) -> _CacheState:
    """Return a key that changes whenever limits may raise something else over a recording."""
    if recording.live:
        # It grows between any two calls; the newest minute can wait.
        return recording.start_ns, recording.end_ns // _LIVE_STATE_STEP_NS
    resumptions = sum(event.kind == EventKind.CONTINUED for event in recording.read_events())
    rows = [recording.reading_count(joint) for joint in recording.joints]
    return recording.start_ns, recording.end_ns, resumptions, *rows


def _evaluate_hypothetical(recording: Recording, limits: LimitSet) -> AppliedLimits:
    alerts_found: list[Alert] = []
    for joint in recording.joints:
        joint_limits = limits.for_joint(
            joint, recording.channels(joint), sensor=joint in recording.bench.sensors
        )
        for limit, alerts in zip(
            joint_limits, evaluate_limits(recording, joint, joint_limits), strict=True
        ):
            alerts_found += _to_alerts(limit, joint, alerts)
    alerts_found.sort(key=lambda alert: (alert.raised_ns, alert.joint, alert.limit))
    return AppliedLimits(
        limit_sets=((recording.start_ns, limits),),
        alerts=tuple(
            replace(alert, number=number) for number, alert in enumerate(alerts_found, start=1)
        ),
        hypothetical=True,
    )


def _to_alerts(limit: AnyJointLimit, joint: str, alerts: AlertArrays) -> list[Alert]:
    return [
        Alert(
            number=0,
            limit=limit.name,
            joint=joint,
            severity=limit.severity,
            channel=limit.reported_channel,
            raised_ns=raised_ns,
            returned_ns=None if returned_ns == STANDING_NS else returned_ns,
            onset_ns=onset_ns,
        )
        for onset_ns, raised_ns, returned_ns in zip(
            alerts.onset_ns.tolist(),
            alerts.raised_ns.tolist(),
            alerts.returned_ns.tolist(),
            strict=True,
        )
    ]
