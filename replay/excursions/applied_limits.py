"""What was in force over a recording and what it raised, as recorded or under other limits.

As recorded it is a fold over the events, so it costs no reading of rows; under other limits it is
worked out by the short exact ways of `replay.tuning`, once for each state of a recording: a few are
kept. Safe to call from several threads; who asks for what another one is working out waits for it.
"""

import hashlib
import threading
from collections import OrderedDict
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import Final
from weakref import WeakKeyDictionary

from logger.limits.kind import Kind
from logger.limits.lifecycle import Alert
from logger.limits.limit import Limit, LimitSet, OfJoint, in_force
from logger.limits.silence import Silence
from replay.evaluation.alert_arrays import STANDING_NS, Alerts
from replay.evaluation.tasks import alerts_on
from replay.recording import Recording

__all__ = ["Watch", "onset_of", "recorded", "under"]

KEPT: Final = 8
"""Recordings under other limits that are remembered."""
_FRESH_NS: Final = 60 * 1_000_000_000
_State = tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Some limits over a whole recording."""

    sets: tuple[tuple[int, LimitSet], ...]
    """Since when which were in force, in order of time, the first since the start."""
    alerts: tuple[Alert, ...]
    """In the order of their raising."""
    others: bool = False
    """They are others than those that were in force: nothing of it was raised at the time."""

    @property
    def limits(self) -> LimitSet:
        """The limits in force last."""
        return self.sets[-1][1]

    def limit_of(self, name: str, raised_ns: int) -> Limit | None:
        """Return the limit that raised an alert, as it was then; None: no limit of a file."""
        now = in_force(self.sets, raised_ns).named(name)
        if now is not None:
            return now
        # Raised at the very instant at which others were taken over, or before the first of a cut.
        ever = (one for _, limits in self.sets if (one := limits.named(name)) is not None)
        return next(ever, None)


def onset_of(alert: Alert, limit: Limit) -> int:
    """Return the first reading at which the condition of an alert stood.

    Recorders of before did not keep it: then the latest instant at which it can have been.
    """
    if alert.onset_ns is not None:
        return alert.onset_ns
    delay_s = limit.after_s if isinstance(limit, Silence) else limit.on_delay_s
    return alert.raised_ns - round(delay_s * 1e9)


_recorded: "WeakKeyDictionary[Recording, tuple[_State, Watch]]" = WeakKeyDictionary()
_lock: Final = threading.Lock()


def recorded(recording: Recording) -> Watch:
    """Return what was in force and what was raised at the time, by the recording's own events."""
    events = recording.events()
    # Events only ever come to those that are there.
    state = (len(events), events[-1].time_ns if events else 0, len(recording.limit_sets))
    with _lock:
        before = _recorded.get(recording)
    if before is not None and before[0] == state:
        return before[1]
    watch = Watch(sets=recording.limit_sets, alerts=recording.alerts())
    with _lock:
        _recorded[recording] = (state, watch)
    return watch


def under(recording: Recording, limits: LimitSet) -> Watch:
    """Return what other limits would have raised, in force from the start to the end.

    Each limit is taken to be on every joint that it fits, as live. An alert tells its onset, and no
    peak (`replay.excursions.alert_peaks.furthest` gives that of one). What watches the recorder
    itself is left out:
    it does not depend on readings. Of a recording that is still written it may be a minute old.
    """
    key = (
        str(recording.path),
        hashlib.sha256(limits.text.encode()).hexdigest(),
        *_state(recording),
    )
    with _lock:
        work = _under.pop(key, None)
        mine = work is None
        if work is None:
            work = Future()
        _under[key] = work
        while len(_under) > KEPT:
            _under.popitem(last=False)
    if mine:
        try:
            work.set_result(_worked_out(recording, limits))
        except BaseException as fault:
            with _lock:
                _under.pop(key, None)
            work.set_exception(fault)
            raise
    return work.result()


_under: "OrderedDict[tuple[object, ...], Future[Watch]]" = OrderedDict()


def _state(recording: Recording) -> _State:
    """Return what changes when limits would raise something else over a recording."""
    if recording.live:
        # It grows with every question; what came within the last minute can wait.
        return recording.start_ns, recording.end_ns // _FRESH_NS
    went_on = sum(event.kind == "continued" for event in recording.events())
    rows = [recording.row_count(joint) for joint in recording.joints]
    return recording.start_ns, recording.end_ns, went_on, *rows


def _worked_out(recording: Recording, limits: LimitSet) -> Watch:
    found: list[Alert] = []
    for joint in recording.joints:
        mine = limits.for_joint(
            joint, recording.channels(joint), sensor=joint in recording.bench.sensors
        )
        for limit, alerts in zip(mine, alerts_on(recording, joint, mine), strict=True):
            found += _alerts_of(limit, joint, alerts)
    found.sort(key=lambda one: (one.raised_ns, one.joint, one.limit))
    return Watch(
        sets=((recording.start_ns, limits),),
        alerts=tuple(replace(one, number=place) for place, one in enumerate(found, start=1)),
        others=True,
    )


def _alerts_of(limit: OfJoint, joint: str, alerts: Alerts) -> list[Alert]:
    channel = limit.told_channel if isinstance(limit, Kind) else ""
    return [
        Alert(
            number=0,
            limit=limit.name,
            joint=joint,
            severity=limit.severity,
            channel=channel,
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
