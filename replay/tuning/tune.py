"""A sweep from recordings to a choice: what is judged on what, and what came of it.

`prepared` refuses what cannot be judged before any work is done; `tuned` does the work.
"""

import math
import threading
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from logger.errors import InputError
from logger.limits.kind import Kind
from logger.limits.limit import LimitSet, OfJoint, check_against
from logger.store.layout.remote import Place, resolved
from replay.evaluation.alert_arrays import Alerts, heard_of
from replay.evaluation.tasks import Task, tasks_of
from replay.recording import Recording
from replay.tuning.bad_ends import Spans, bad_ends, known_on, watched_joints
from replay.tuning.choice import Judgement, Total, choice, front, judged, total
from replay.tuning.executors import Progress, run
from replay.tuning.score import Score, Terms, score
from replay.tuning.sweep import Candidate, Sweep
from replay.tuning.sweep_file import BadEnd

__all__ = ["Asked", "Row", "Tested", "Tuned", "prepared", "tuned"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """One recording that candidates are judged on."""

    path: Place
    name: str
    start_ns: int
    end_ns: int
    heard_s: float
    rows: Mapping[str, int]
    """Joint -> readings."""
    bad_ends: Mapping[str, Spans]
    """Joint that is judged -> its bad ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A sweep over recordings that it fits."""

    sweep: Sweep
    tested: tuple[Tested, ...]
    joints: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the whole table."""

    candidate: Candidate
    tested: Tested
    joint: str
    score: Score


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuned:
    """What came of a sweep."""

    asked: Asked
    rows: tuple[Row, ...]
    """By candidate, recording and joint; when it was stopped those that were done."""
    whole: bool
    """It was not stopped before its end."""
    totals: tuple[Total, ...] = ()
    """Of each candidate; none when it was stopped."""
    best: tuple[int, ...] = ()
    """Places of the best trade-offs, the fewest false alerts first."""
    chosen: int | None = None
    """Place of the choice; None: no candidate catches anything."""
    judgement: Judgement | None = None

    @property
    def bad_ends(self) -> int:
        """How many there are on all joints of all recordings."""
        return sum(len(spans) for one in self.asked.tested for spans in one.bad_ends.values())


def prepared(recordings: Sequence[Place], sweep: Sweep, limits_where: str) -> Asked:
    """Return a sweep over recordings, or refuse it.

    Raises
    ------
    InputError
        A recording cannot be opened, is named twice, lacks a joint or channel of the limits or of
        the bad end, or has other joints to be judged than the first.
    OutsideFault
        The store at an address cannot be reached.
    """
    seen: dict[Place, Place] = {}
    for path in recordings:
        same = seen.setdefault(resolved(path), path)
        if same is not path:
            raise InputError(
                f"{path}: found this recording twice, expected each once: a choice is judged on "
                "recordings that had no say in it."
            )
    if not seen:
        raise InputError("REC: found none, expected at least one recording.")
    tested, joints_of = [], []
    for path in recordings:
        opened = Recording.open(path)
        joints = _joints(opened, sweep, f"{limits_where} on {path}")
        joints_of.append(joints)
        tested.append(_tested(opened, sweep.bad_end, joints))
    for path, joints in zip(recordings, joints_of, strict=True):
        if joints != joints_of[0]:
            raise InputError(
                f"{path}: found the joints {', '.join(joints)} to judge, expected "
                f"{', '.join(joints_of[0])} as in {recordings[0]}. Name the joint in the limits, "
                "or tune recordings of different joints apart."
            )
    return Asked(sweep=sweep, tested=tuple(tested), joints=joints_of[0])


def _joints(recording: Recording, sweep: Sweep, where: str) -> tuple[str, ...]:
    """Return the joints of a recording that are judged, in the bench's order."""
    needs: dict[tuple[object, ...], OfJoint] = {}
    for candidate in sweep.candidates:
        for limit in candidate.limits:
            needed = (limit.needs, limit.shares) if isinstance(limit, Kind) else ()
            needs.setdefault((limit.name, *needed), limit)
    for limit in needs.values():
        check_against(LimitSet(limits=(limit,)), recording.bench, where, delays=False)
    watched = watched_joints(recording, sweep.candidates[0].limits)
    return known_on(recording, sweep.bad_end, watched)


def _tested(recording: Recording, said: BadEnd, joints: tuple[str, ...]) -> Tested:
    heard = heard_of(recording.events(), recording.start_ns, recording.end_ns)
    return Tested(
        path=recording.path,
        name=recording.name,
        start_ns=recording.start_ns,
        end_ns=recording.end_ns,
        heard_s=math.fsum((one.until_ns - one.start_ns) * 1e-9 for one in heard),
        rows={joint: recording.row_count(joint) for joint in joints},
        bad_ends=bad_ends(recording, said, joints),
    )


def tuned(
    asked: Asked,
    *,
    executor: Executor | None = None,
    jobs: int = 1,
    progress: Progress = lambda _share: None,
    stop: threading.Event | None = None,
) -> Tuned:
    """Return what came of a sweep: the same for any executor.

    Parameters
    ----------
    jobs
        How many tasks the executor works on at a time; decides how finely the work is cut.
    stop
        Set from outside to end it; what is done is kept.
    """
    variants = {
        limit: place
        for place, limit in enumerate(
            dict.fromkeys(limit for one in asked.sweep.candidates for limit in one.limits)
        )
    }
    work = list(_work(asked, tuple(variants), jobs))
    results = run([task for _, task in work], executor, progress=progress, stop=stop)
    alerts: dict[tuple[int, str], dict[int, Alerts]] = {}
    for (index, task), result in zip(work, results, strict=True):
        if result is not None:
            of = alerts.setdefault((index, task.joint), {})
            of.update(zip(task.places, result, strict=True))
    rows = tuple(_rows(asked, variants, alerts))
    whole = all(result is not None for result in results)
    if not whole:
        return Tuned(asked=asked, rows=rows, whole=False)
    return _concluded(asked, rows)


def _work(asked: Asked, limits: tuple[OfJoint, ...], jobs: int) -> Iterator[tuple[int, Task]]:
    units = len(asked.tested) * len(asked.joints)
    slices = 1 if jobs <= 1 else -(-2 * jobs // units)
    for index, one in enumerate(asked.tested):
        for joint in asked.joints:
            # Who works on it may stand in another folder.
            place = resolved(one.path)
            for task in tasks_of(place, joint, limits, rows=one.rows[joint], slices=slices):
                yield index, task


def _rows(
    asked: Asked,
    variants: Mapping[OfJoint, int],
    alerts: Mapping[tuple[int, str], Mapping[int, Alerts]],
) -> Iterator[Row]:
    """Yield the rows whose limits are all done."""
    said = asked.sweep.bad_end
    for candidate in asked.sweep.candidates:
        for index, one in enumerate(asked.tested):
            for joint in asked.joints:
                known = alerts.get((index, joint), {})
                mine = [(known.get(variants[limit]), limit) for limit in candidate.limits]
                told = [
                    (found, limit.severity == "trip") for found, limit in mine if found is not None
                ]
                if len(told) < len(mine):
                    continue
                terms = Terms(
                    start_ns=one.start_ns,
                    end_ns=one.end_ns,
                    heard_s=one.heard_s,
                    bad_ends=one.bad_ends[joint],
                    within_s=said.within_s,
                    least_lead_s=said.least_lead_s,
                )
                yield Row(candidate=candidate, tested=one, joint=joint, score=score(told, terms))


def _concluded(asked: Asked, rows: tuple[Row, ...]) -> Tuned:
    joints, recordings = len(asked.joints), len(asked.tested)
    scores = [row.score for row in rows]
    by_candidate = [
        scores[first : first + joints * recordings]
        for first in range(0, len(scores), joints * recordings)
    ]
    totals = tuple(total(one) for one in by_candidate)
    by_recording = [
        [one[place * joints : (place + 1) * joints] for one in by_candidate]
        for place in range(recordings)
    ]
    return Tuned(
        asked=asked,
        rows=rows,
        whole=True,
        totals=totals,
        best=tuple(front(totals)),
        chosen=choice(totals),
        judgement=judged(by_recording),
    )
