"""Limits tried on recordings: what they raise, how early, and how often for nothing.

A result is approximate at first, from the pyramid's seconds (`approximate_measure`), and says so.
`open_tasks` names what has to be evaluated to make it exact, and `store_results` takes the results
of that; the same call then gives the exact result. What does not change between two calls is
cached, so that after a change of one limit only that one is evaluated. Nothing is written.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from logger.arrays import to_s
from logger.limits.evaluate import in_channel_unit
from logger.limits.limit import AnyJointLimit, LimitSet
from logger.store.layout.byte_cache import ByteLruCache
from replay.evaluation.alert_arrays import AlertArrays, recorded_spans
from replay.evaluation.tasks import Task, split_tasks
from replay.exploring.approximate import (
    MinMaxTrace,
    SecondValues,
    SummaryStyle,
    approximate_measure,
    read_second_values,
    to_min_max,
)
from replay.recording import Recording
from replay.tuning.bad_ends import TimeSpans, find_bad_ends, scorable_joints, watched_joints
from replay.tuning.score import Score, ScoringTerms, score_alerts
from replay.tuning.sweep_file import BadEnd

__all__ = ["MEASURE_BINS", "ApproximateResult", "ExplorerResult", "LimitExplorer", "LimitResult"]

_SECONDS_CACHE_BYTES: Final = 128 << 20
_APPROXIMATE_CACHE_BYTES: Final = 32 << 20
_EXACT_CACHE_BYTES: Final = 32 << 20
MEASURE_BINS: Final = 480
"""Spans of the recording that a `MinMaxTrace` has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitResult:
    """What one limit raised on one joint of a recording."""

    joint: str
    limit: AnyJointLimit
    """With its levels in the unit of the channel."""
    alerts: AlertArrays
    exact: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ApproximateResult:
    """The approximate alerts of a limit on a joint, and its values as they are drawn."""

    alerts: AlertArrays
    trace: MinMaxTrace

    @property
    def nbytes(self) -> int:
        """Size in memory."""
        return _alert_bytes(self.alerts) + self.trace.low.nbytes + self.trace.high.nbytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplorerResult:
    """What limits make of one recording."""

    recording: Recording
    recorded_s: float
    bad_ends: Mapping[str, TimeSpans]
    """Joint on which it is known -> its bad ends; empty where no bad end is given."""
    limit_results: tuple[LimitResult, ...]

    def score_joints(self, bad_end: BadEnd | None, limit: str | None = None) -> list[Score]:
        """Return the score of the alerts on each joint, of all limits together or of one."""
        scores = []
        for joint in dict.fromkeys(result.joint for result in self.limit_results):
            joint_alerts = [
                (result.alerts, result.limit.severity == "trip")
                for result in self.limit_results
                if result.joint == joint and limit in {None, result.limit.name}
            ]
            if not joint_alerts:
                continue
            terms = ScoringTerms(
                start_ns=self.recording.start_ns,
                end_ns=self.recording.end_ns,
                recorded_s=self.recorded_s,
                bad_ends=self.bad_ends.get(joint, ()),
                within_s=bad_end.within_s if bad_end else None,
                min_lead_s=bad_end.least_lead_s if bad_end else 0.0,
            )
            scores.append(score_alerts(joint_alerts, terms))
        return scores

    def is_exact(self, limit: str | None = None) -> bool:
        """Return whether all results (of one limit) are exact."""
        return all(
            result.exact for result in self.limit_results if limit in {None, result.limit.name}
        )

    def can_be_made_exact(self) -> bool:
        """Return whether `LimitExplorer.open_tasks` would make it exact."""
        return not self.recording.live and not self.is_exact()


class LimitExplorer:
    """Evaluates limits on recordings for a page; caches what it may need again."""

    def __init__(self) -> None:
        self._seconds_cache: ByteLruCache[SecondValues] = ByteLruCache(
            max_bytes=_SECONDS_CACHE_BYTES
        )
        self._approximate_cache: ByteLruCache[ApproximateResult] = ByteLruCache(
            max_bytes=_APPROXIMATE_CACHE_BYTES
        )
        self._exact_cache: ByteLruCache[AlertArrays] = ByteLruCache(max_bytes=_EXACT_CACHE_BYTES)
        self._bad_ends_cache: ByteLruCache[dict[str, TimeSpans]] = ByteLruCache(max_bytes=1 << 20)

    def evaluate_limits(
        self, recording: Recording, limits: LimitSet, bad_end: BadEnd | None
    ) -> ExplorerResult:
        """Return the results of limits on a recording, exact where that is known already.

        Raises
        ------
        InputError
            The recording lacks the joint or channel of the bad end.
        """
        spans = recorded_spans(recording.read_events(), recording.start_ns, recording.end_ns)
        joints = self._joints_to_score(recording, limits, bad_end)
        return ExplorerResult(
            recording=recording,
            recorded_s=math.fsum(to_s(span.recorded_until_ns - span.start_ns) for span in spans),
            bad_ends=self._find_bad_ends(recording, bad_end, joints),
            limit_results=tuple(
                self._limit_result(recording, joint, limit)
                for joint in joints
                for limit in self._limits_on_joint(recording, joint, limits)
            ),
        )

    def approximate_limit(
        self, recording: Recording, joint: str, limit: AnyJointLimit
    ) -> ApproximateResult:
        """Return the approximate result of a limit on a joint.

        `limit`: with its levels in the unit of the channel.
        """
        key = (*_joint_key(recording, joint), _limit_key(limit))
        return self._approximate_cache.get_or_make(
            key,
            lambda: self._compute_approximate(recording, joint, limit),
            lambda result: result.nbytes,
        )

    def second_values(
        self, recording: Recording, joint: str, channel: str, style: SummaryStyle
    ) -> SecondValues:
        """Return the seconds of a channel over the whole recording."""
        key = (*_joint_key(recording, joint), channel, style)
        return self._seconds_cache.get_or_make(
            key,
            lambda: read_second_values(recording, joint, channel, style),
            lambda values: values.nbytes,
        )

    def limits_by_joint(
        self, recording: Recording, limit: AnyJointLimit
    ) -> Iterable[tuple[str, AnyJointLimit]]:
        """Yield the joints that a limit watches, with the limit in the unit of the channel."""
        alone = LimitSet(limits=(limit,))
        for joint in watched_joints(recording, (limit,)):
            for joint_limit in self._limits_on_joint(recording, joint, alone):
                yield joint, joint_limit

    def open_tasks(
        self, recordings: Sequence[Recording], limits: LimitSet, bad_end: BadEnd | None
    ) -> list[Task]:
        """Return the tasks whose results make the answers exact; give them to `store_results`.

        There are none for a live recording: it grows while they run, so that their results would be
        of neither its present state nor that of the next call.
        """
        tasks = []
        for recording in recordings:
            if recording.live:
                continue
            for joint in self._joints_to_score(recording, limits, bad_end):
                missing = [
                    limit
                    for limit in self._limits_on_joint(recording, joint, limits)
                    if self._exact_cache.get((*_joint_key(recording, joint), _limit_key(limit)))
                    is None
                ]
                rows = recording.reading_count(joint)
                tasks += split_tasks(recording.path, joint, missing, rows=rows, slices=1)
        return tasks

    def store_results(
        self, recording: Recording, task: Task, results: Sequence[AlertArrays]
    ) -> None:
        """Store the results of a task of `open_tasks`."""
        for limit, alerts in zip(task.limits, results, strict=True):
            key = (*_joint_key(recording, task.joint), _limit_key(limit))
            self._exact_cache.put(key, alerts, size_bytes=_alert_bytes(alerts))

    def _joints_to_score(
        self, recording: Recording, limits: LimitSet, bad_end: BadEnd | None
    ) -> tuple[str, ...]:
        watched = watched_joints(recording, limits.limits)
        if bad_end is None or not watched:
            return watched
        return scorable_joints(recording, bad_end, watched)

    def _limits_on_joint(
        self, recording: Recording, joint: str, limits: LimitSet
    ) -> list[AnyJointLimit]:
        """Return the limits on a joint with their levels in the units of its channels."""
        joint_limits = limits.for_joint(
            joint, recording.channels(joint), sensor=joint in recording.bench.sensors
        )
        rated = recording.bench.joint_named(joint).rated
        grids, heat = recording.count_grids(joint), recording.heat_model(joint)
        return [
            converted
            for limit in joint_limits
            if (converted := in_channel_unit(limit, rated, grids, heat)) is not None
        ]

    def _limit_result(self, recording: Recording, joint: str, limit: AnyJointLimit) -> LimitResult:
        exact = self._exact_cache.get((*_joint_key(recording, joint), _limit_key(limit)))
        alerts = (
            exact if exact is not None else self.approximate_limit(recording, joint, limit).alerts
        )
        return LimitResult(joint=joint, limit=limit, alerts=alerts, exact=exact is not None)

    def _compute_approximate(
        self, recording: Recording, joint: str, limit: AnyJointLimit
    ) -> ApproximateResult:
        span_ns = (recording.start_ns, recording.end_ns)
        measure = approximate_measure(
            limit,
            {
                name: self.second_values(recording, joint, name, style)
                for name, style in limit.summary_styles.items()
            },
            joint=joint,
            hold_ns=recording.hold_ns(joint),
            gaps=recording.read_gaps(joint) if limit.watches_gaps else [],
            span_ns=span_ns,
        )
        return ApproximateResult(
            alerts=measure.alerts, trace=to_min_max(measure, *span_ns, bins=MEASURE_BINS)
        )

    def _find_bad_ends(
        self, recording: Recording, bad_end: BadEnd | None, joints: tuple[str, ...]
    ) -> dict[str, TimeSpans]:
        if bad_end is None:
            return {}
        key = (recording.path, recording.end_ns, bad_end.model_dump_json(), joints)
        return self._bad_ends_cache.get_or_make(
            key, lambda: find_bad_ends(recording, bad_end, joints), _bad_ends_bytes
        )


def _joint_key(recording: Recording, joint: str) -> tuple[str, int, str]:
    """Return a key of one joint of one state of a recording."""
    return str(recording.path), recording.end_ns, joint


def _limit_key(limit: AnyJointLimit) -> str:
    """Return a text that is equal for limits that raise the same alerts."""
    return f"{type(limit).__name__} {limit.model_dump_json(exclude={'name', 'severity', 'joint'})}"


def _bad_ends_bytes(ends: dict[str, TimeSpans]) -> int:
    return 500 + 100 * sum(map(len, ends.values()))


def _alert_bytes(alerts: AlertArrays) -> int:
    return 3 * 8 * len(alerts) + 200
