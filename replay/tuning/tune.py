"""A sweep from recordings to a choice.

`prepare_sweep` opens the recordings and refuses what cannot be scored, before any work is done;
`run_sweep` does the work: tasks, scores, the choice and its validation.
"""

import math
import threading
from collections import ChainMap
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from logger.arrays import to_s
from logger.errors import InputError
from logger.limits.limit import AnyJointLimit, LimitSet, check_for_bench
from logger.store.layout.remote import Location, absolute_location
from replay.evaluation.alert_arrays import AlertArrays, recorded_spans
from replay.evaluation.tasks import Task, split_tasks
from replay.recording import Recording
from replay.tuning.bad_ends import TimeSpans, find_bad_ends, scorable_joints, watched_joints
from replay.tuning.choice import (
    CrossValidation,
    ScoreTotal,
    choose_candidate,
    leave_one_out,
    pareto_front,
    total_score,
)
from replay.tuning.executors import ProgressCallback, run_tasks
from replay.tuning.score import Score, ScoringTerms, score_alerts
from replay.tuning.sweep import Candidate, Sweep
from replay.tuning.sweep_file import BadEnd

__all__ = ["SweepInput", "SweepRequest", "SweepResult", "SweepRow", "prepare_sweep", "run_sweep"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepInput:
    """One recording that candidates are scored on."""

    path: Location
    name: str
    start_ns: int
    end_ns: int
    recorded_s: float
    """Time during which a recorder ran."""
    rows: Mapping[str, int]
    """Joint -> readings."""
    bad_ends: Mapping[str, TimeSpans]
    """Joint that is scored -> its bad ends."""
    labels: Mapping[str, str]
    """Joint -> what people call it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRequest:
    """A sweep and the recordings that it fits."""

    sweep: Sweep
    inputs: tuple[SweepInput, ...]
    joints: tuple[str, ...]

    @property
    def labels(self) -> Mapping[str, str]:
        """Joint -> what people call it, in the first recording that has it."""
        return dict(ChainMap(*(dict(one.labels) for one in self.inputs)))


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRow:
    """The score of one candidate on one joint of one recording."""

    candidate: Candidate
    source: SweepInput
    joint: str
    score: Score


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepResult:
    """The result of a sweep, whole or as far as it came."""

    request: SweepRequest
    rows: tuple[SweepRow, ...]
    """In order of candidate, recording and joint; of a stopped sweep those that were done."""
    is_complete: bool
    """Whether it ran to its end."""
    totals: tuple[ScoreTotal, ...] = ()
    """Of each candidate; empty when it was stopped."""
    pareto_indices: tuple[int, ...] = ()
    """Indices of the candidates on the Pareto front, the fewest false alerts first."""
    chosen_index: int | None = None
    """Index of the chosen candidate; None: no candidate catches anything."""
    validation: CrossValidation | None = None

    @property
    def bad_ends(self) -> int:
        """Number of bad ends on all joints of all recordings."""
        return sum(
            len(spans) for source in self.request.inputs for spans in source.bad_ends.values()
        )


def prepare_sweep(recordings: Sequence[Location], sweep: Sweep, limits_where: str) -> SweepRequest:
    """Return a sweep over recordings that it fits.

    Raises
    ------
    InputError
        A recording cannot be opened, is named twice, lacks a joint or channel of the limits or of
        the bad end, or has other joints to be scored than the first.
    OutsideFault
        The store at an address cannot be reached.
    """
    paths: dict[Location, Location] = {}
    for path in recordings:
        first_path = paths.setdefault(absolute_location(path), path)
        if first_path is not path:
            raise InputError(
                f"{path}: found this recording twice, expected each once: a choice is judged on "
                "recordings that had no say in it."
            )
    if not paths:
        raise InputError("REC: found none, expected at least one recording.")
    inputs, joints_of = [], []
    for path in recordings:
        recording = Recording.open(path)
        joints = _joints_of_sweep(recording, sweep, f"{limits_where} on {path}")
        joints_of.append(joints)
        inputs.append(_sweep_input(recording, sweep.bad_end, joints))
    for path, joints in zip(recordings, joints_of, strict=True):
        if joints != joints_of[0]:
            raise InputError(
                f"{path}: found the joints {', '.join(joints)} to judge, expected "
                f"{', '.join(joints_of[0])} as in {recordings[0]}. Name the joint in the limits, "
                "or tune recordings of different joints apart."
            )
    return SweepRequest(sweep=sweep, inputs=tuple(inputs), joints=joints_of[0])


def _joints_of_sweep(recording: Recording, sweep: Sweep, where: str) -> tuple[str, ...]:
    """Return the joints of a recording that are scored, in the order of the bench."""
    needs: dict[tuple[object, ...], AnyJointLimit] = {}
    for candidate in sweep.candidates:
        for limit in candidate.limits:
            needs.setdefault((limit.name, limit.needed_channels, limit.needs_rated), limit)
    for limit in needs.values():
        check_for_bench(LimitSet(limits=(limit,)), recording.bench, where, delays=False)
    watched = watched_joints(recording, sweep.candidates[0].limits)
    return scorable_joints(recording, sweep.bad_end, watched)


def _sweep_input(recording: Recording, bad_end: BadEnd, joints: tuple[str, ...]) -> SweepInput:
    spans = recorded_spans(recording.read_events(), recording.start_ns, recording.end_ns)
    return SweepInput(
        path=recording.path,
        name=recording.name,
        start_ns=recording.start_ns,
        end_ns=recording.end_ns,
        recorded_s=math.fsum(to_s(span.recorded_until_ns - span.start_ns) for span in spans),
        rows={joint: recording.reading_count(joint) for joint in joints},
        bad_ends=find_bad_ends(recording, bad_end, joints),
        labels=recording.bench.labels,
    )


def run_sweep(
    request: SweepRequest,
    *,
    executor: Executor | None = None,
    jobs: int = 1,
    progress: ProgressCallback = lambda _share: None,
    stop: threading.Event | None = None,
) -> SweepResult:
    """Return the result of a sweep, which is the same for any executor.

    Parameters
    ----------
    jobs
        How many tasks the executor runs at a time; decides into how many the work is cut.
    stop
        Set from another thread to end it; the rows done so far are kept.
    """
    variants = {
        limit: number
        for number, limit in enumerate(
            dict.fromkeys(
                limit for candidate in request.sweep.candidates for limit in candidate.limits
            )
        )
    }
    planned = list(_plan_tasks(request, tuple(variants), jobs))
    results = run_tasks([task for _, task in planned], executor, progress=progress, stop=stop)
    alerts: dict[tuple[int, str], dict[int, AlertArrays]] = {}
    for (index, task), result in zip(planned, results, strict=True):
        if result is not None:
            task_alerts = alerts.setdefault((index, task.joint), {})
            task_alerts.update(zip(task.indices, result, strict=True))
    rows = tuple(_score_rows(request, variants, alerts))
    is_complete = all(result is not None for result in results)
    if not is_complete:
        return SweepResult(request=request, rows=rows, is_complete=False)
    return _conclude_sweep(request, rows)


def _plan_tasks(
    request: SweepRequest, limits: tuple[AnyJointLimit, ...], jobs: int
) -> Iterator[tuple[int, Task]]:
    units = len(request.inputs) * len(request.joints)
    slices = 1 if jobs <= 1 else -(-2 * jobs // units)
    for index, source in enumerate(request.inputs):
        for joint in request.joints:
            # A worker may run in another folder.
            location = absolute_location(source.path)
            for task in split_tasks(
                location, joint, limits, rows=source.rows[joint], slices=slices
            ):
                yield index, task


def _score_rows(
    request: SweepRequest,
    variants: Mapping[AnyJointLimit, int],
    alerts: Mapping[tuple[int, str], Mapping[int, AlertArrays]],
) -> Iterator[SweepRow]:
    """Yield the rows of which all limits are evaluated."""
    bad_end = request.sweep.bad_end
    for candidate in request.sweep.candidates:
        for index, source in enumerate(request.inputs):
            for joint in request.joints:
                alerts_by_variant = alerts.get((index, joint), {})
                candidate_alerts = [
                    (alerts_by_variant.get(variants[limit]), limit) for limit in candidate.limits
                ]
                known_alerts = [
                    (limit_alerts, limit.severity == "trip")
                    for limit_alerts, limit in candidate_alerts
                    if limit_alerts is not None
                ]
                if len(known_alerts) < len(candidate_alerts):
                    continue
                terms = ScoringTerms(
                    start_ns=source.start_ns,
                    end_ns=source.end_ns,
                    recorded_s=source.recorded_s,
                    bad_ends=source.bad_ends[joint],
                    within_s=bad_end.within_s,
                    min_lead_s=bad_end.least_lead_s,
                )
                yield SweepRow(
                    candidate=candidate,
                    source=source,
                    joint=joint,
                    score=score_alerts(known_alerts, terms),
                )


def _conclude_sweep(request: SweepRequest, rows: tuple[SweepRow, ...]) -> SweepResult:
    joints, recordings = len(request.joints), len(request.inputs)
    scores = [row.score for row in rows]
    by_candidate = [
        scores[first : first + joints * recordings]
        for first in range(0, len(scores), joints * recordings)
    ]
    totals = tuple(total_score(scores_of_candidate) for scores_of_candidate in by_candidate)
    by_recording = [
        [
            scores_of_candidate[index * joints : (index + 1) * joints]
            for scores_of_candidate in by_candidate
        ]
        for index in range(recordings)
    ]
    return SweepResult(
        request=request,
        rows=rows,
        is_complete=True,
        totals=totals,
        pareto_indices=tuple(pareto_front(totals)),
        chosen_index=choose_candidate(totals),
        validation=leave_one_out(by_recording),
    )
