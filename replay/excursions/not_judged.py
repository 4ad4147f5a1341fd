"""When a limit could not be judged, from the events or from the rows of a recording.

What raised nothing while it was not judged says nothing: so this belongs beside every list of
excursions. `logger.limits.gaps` says when a limit is not judged.
"""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final
from weakref import WeakKeyDictionary

from logger.arrays import to_ns, to_s
from logger.event_kind import EventKind
from logger.limits.limit import LimitSet, in_force
from logger.limits.scored_limit import ScoredLimit
from logger.store.layout.events import Event
from logger.store.layout.manifest import iso_utc
from replay.excursions.over_rows import JointEvaluation
from replay.recording import Recording

__all__ = [
    "NeverJudged",
    "NotJudged",
    "find_not_judged",
    "never_judged",
    "recorded_not_judged",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotJudged:
    """A span over which a limit was not judged on a joint."""

    joint: str
    limit: str
    start_ns: int
    """When it was judged last before."""
    end_ns: int
    ongoing: bool
    """Whether it was not judged again by the recording's end."""

    def to_json(self) -> dict[str, Any]:
        """Return it as in the answer of `dutytrace excursions --json`."""
        return {
            "joint": self.joint,
            "limit": self.limit,
            "start": iso_utc(self.start_ns),
            "duration_s": to_s(self.end_ns - self.start_ns),
            "ongoing": self.ongoing,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class NeverJudged:
    """A limit that no joint of a recording reports enough for."""

    limit: ScoredLimit
    lacking: tuple[str, ...]
    """The channels that its joint, or each joint, lacks."""


@dataclass(slots=True)
class _Spans:
    """Spans as they begin and end, by joint and limit."""

    ended: list[NotJudged] = field(default_factory=list)
    begun_ns: dict[tuple[str, str], int] = field(default_factory=dict)
    """(joint, limit) -> since when it is not judged."""

    def end(self, key: tuple[str, str], end_ns: int) -> None:
        """End a span that has begun; nothing where none has."""
        start_ns = self.begun_ns.pop(key, None)
        if start_ns is not None:
            self.ended.append(_not_judged(key, start_ns, end_ns, ongoing=False))

    def until(self, end_ns: int) -> list[NotJudged]:
        """Return all in order of time; what has not ended lasts to the end."""
        standing = [
            _not_judged(key, start_ns, end_ns, ongoing=True)
            for key, start_ns in self.begun_ns.items()
        ]
        return sorted(
            [*self.ended, *standing], key=lambda one: (one.start_ns, one.joint, one.limit)
        )


def _not_judged(key: tuple[str, str], start_ns: int, end_ns: int, *, ongoing: bool) -> NotJudged:
    joint, limit = key
    return NotJudged(joint=joint, limit=limit, start_ns=start_ns, end_ns=end_ns, ongoing=ongoing)


_recorded_cache: "WeakKeyDictionary[Recording, tuple[int, _Spans]]" = WeakKeyDictionary()
_cache_lock: Final = threading.Lock()


def recorded_not_judged(recording: Recording) -> list[NotJudged]:
    """Return the spans that were told at the time, in order; reads the events alone.

    A recorder that stops ends a span, and so do other limits, where that limit is another then.
    Recordings whose events do not say since when a limit was not judged have none.
    """
    events = recording.read_events()
    with _cache_lock:
        # Events are only ever appended: a page asks several times a second.
        count, spans = _recorded_cache.get(recording, (-1, _Spans()))
        if count != len(events):
            spans = _fold_events(events, recording.limit_sets)
            _recorded_cache[recording] = (len(events), spans)
    return spans.until(recording.end_ns)


def _fold_events(events: Sequence[Event], sets: Sequence[tuple[int, LimitSet]]) -> _Spans:
    spans = _Spans()
    for event in events:
        key = (event.joint, event.limit)
        if event.kind == EventKind.LIMIT_NOT_JUDGED and event.duration_s >= 0:
            spans.begun_ns[key] = event.time_ns - to_ns(event.duration_s)
        elif event.kind == EventKind.LIMIT_JUDGED_AGAIN and event.duration_s >= 0:
            # Of a cut the beginning may lie before it.
            spans.begun_ns.setdefault(key, event.time_ns - to_ns(event.duration_s))
            spans.end(key, event.time_ns)
        elif event.kind == EventKind.CONTINUED:
            for begun in [*spans.begun_ns]:
                spans.end(begun, event.time_ns - to_ns(event.duration_s))
        elif event.kind == EventKind.LIMITS_TAKEN_OVER:
            before, after = in_force(sets, event.time_ns - 1), in_force(sets, event.time_ns)
            for begun in [*spans.begun_ns]:
                if before.by_name(begun[1]) != after.by_name(begun[1]):
                    spans.end(begun, event.time_ns)
    return spans


def never_judged(recording: Recording, limits: LimitSet) -> list[NeverJudged]:
    """Return the limits that cannot be judged on any joint, in the file's order."""
    sensors = recording.bench.sensors
    found = []
    for limit in limits.limits:
        if not isinstance(limit, ScoredLimit):
            continue
        needed = dict.fromkeys(channel for _, channel in limit.needed_channels)
        carried = [
            set(recording.channels(joint))
            for joint in recording.joints
            if (limit.joint == joint if limit.joint else joint not in sensors)
        ]
        if any(channels.issuperset(needed) for channels in carried):
            continue
        everywhere = set.intersection(*carried) if carried else set()
        lacking = tuple(channel for channel in needed if channel not in everywhere)
        found.append(NeverJudged(limit=limit, lacking=lacking))
    return found


def find_not_judged(
    recording: Recording, evaluations: Mapping[str, JointEvaluation]
) -> list[NotJudged]:
    """Return over which spans hypothetical limits would not have been judged.

    `evaluations`: what they make of each joint (`over_rows.evaluate_joints`).
    """
    spans = _Spans()
    for evaluation in evaluations.values():
        for change in evaluation.coverage:
            key = (change.joint, change.limit)
            if change.kind == EventKind.LIMIT_JUDGED_AGAIN:
                spans.end(key, change.time_ns)
                continue
            # Where a recorder resumed, it counts anew: what was not judged before ends there.
            spans.end(key, change.since_ns)
            spans.begun_ns[key] = change.since_ns
    return spans.until(recording.end_ns)
