"""Limits tried on recordings at once: what they raise, how early, how often for nothing.

The answer is rough at first, from the pyramid's seconds (`rough`), and says so; `open_work` names
what remains to be evaluated in full, and `take` takes that in: the same question then has the exact
answer. What does not change between two questions is kept, so that turning one limit costs that
one. Nothing here is written.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from logger.limits.evaluate import spoken
from logger.limits.limit import LimitSet, OfJoint
from logger.limits.silence import Silence
from logger.store.layout.byte_cache import Kept
from replay.evaluation.alert_arrays import Alerts, heard_of
from replay.evaluation.tasks import Task, tasks_of
from replay.exploring.approximate import Shape, Sketch, Style, rough, shaped, sketched, styles_of
from replay.recording import Recording
from replay.tuning.bad_ends import Spans, bad_ends, known_on, watched_joints
from replay.tuning.score import Score, Terms, score
from replay.tuning.sweep_file import BadEnd

__all__ = ["BINS", "Answer", "Desk", "Rough", "Told"]

_SKETCHES: Final = 128 << 20
_ROUGH: Final = 32 << 20
_EXACT: Final = 32 << 20
BINS: Final = 480
"""Stretches that a measure is drawn in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What one limit raised on one joint of a recording."""

    joint: str
    limit: OfJoint
    """In the channel's own unit."""
    alerts: Alerts
    exact: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Rough:
    """What a limit makes of a joint, roughly: what it raises, and its measure as it is drawn."""

    alerts: Alerts
    shape: Shape

    @property
    def nbytes(self) -> int:
        """What it takes in memory."""
        return _alert_bytes(self.alerts) + self.shape.low.nbytes + self.shape.high.nbytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What limits make of one recording."""

    recording: Recording
    heard_s: float
    bad_ends: Mapping[str, Spans]
    """Joint on which it is known -> its bad ends; empty where none is said."""
    told: tuple[Told, ...]

    def scores(self, said: BadEnd | None, limit: str | None = None) -> list[Score]:
        """Return for each joint what the alerts are worth, of all limits together or of one."""
        found = []
        for joint in dict.fromkeys(one.joint for one in self.told):
            mine = [
                (one.alerts, one.limit.severity == "trip")
                for one in self.told
                if one.joint == joint and limit in {None, one.limit.name}
            ]
            if not mine:
                continue
            terms = Terms(
                start_ns=self.recording.start_ns,
                end_ns=self.recording.end_ns,
                heard_s=self.heard_s,
                bad_ends=self.bad_ends.get(joint, ()),
                within_s=said.within_s if said else None,
                least_lead_s=said.least_lead_s if said else 0.0,
            )
            found.append(score(mine, terms))
        return found

    def exact(self, limit: str | None = None) -> bool:
        """Return whether all that is told (of one limit) is exact."""
        return all(one.exact for one in self.told if limit in {None, one.limit.name})

    def due(self) -> bool:
        """Return whether `Desk.open_work` would make it exact."""
        return not self.recording.live and not self.exact()


class Desk:
    """Answers questions about limits on recordings; keeps what it may need again."""

    def __init__(self) -> None:
        self._sketches: Kept[Sketch] = Kept(most_bytes=_SKETCHES)
        self._rough: Kept[Rough] = Kept(most_bytes=_ROUGH)
        self._exact: Kept[Alerts] = Kept(most_bytes=_EXACT)
        self._ends: Kept[dict[str, Spans]] = Kept(most_bytes=1 << 20)

    def answer(self, recording: Recording, limits: LimitSet, said: BadEnd | None) -> Answer:
        """Return what limits make of a recording, exact where that is known already.

        Raises
        ------
        InputError
            The bad end is said of a joint or channel that the recording does not have.
        """
        heard = heard_of(recording.events(), recording.start_ns, recording.end_ns)
        joints = self._joints(recording, limits, said)
        return Answer(
            recording=recording,
            heard_s=math.fsum((one.until_ns - one.start_ns) * 1e-9 for one in heard),
            bad_ends=self._bad_ends(recording, said, joints),
            told=tuple(
                self._told(recording, joint, limit)
                for joint in joints
                for limit in self._on(recording, joint, limits)
            ),
        )

    def rough(self, recording: Recording, joint: str, limit: OfJoint) -> Rough:
        """Return what a limit (spoken in the channel's unit) makes of a joint, roughly."""
        key = (*_place(recording, joint), _key(limit))
        return self._rough.made(
            key, lambda: self._roughly(recording, joint, limit), lambda one: one.nbytes
        )

    def sketch(self, recording: Recording, joint: str, channel: str, style: Style) -> Sketch:
        """Return the seconds of a channel."""
        key = (*_place(recording, joint), channel, style)
        return self._sketches.made(
            key, lambda: sketched(recording, joint, channel, style), lambda one: one.nbytes
        )

    def on(self, recording: Recording, limit: OfJoint) -> Iterable[tuple[str, OfJoint]]:
        """Yield the joints that a limit watches, with the limit in the channel's own unit."""
        alone = LimitSet(limits=(limit,))
        for joint in watched_joints(recording, (limit,)):
            for one in self._on(recording, joint, alone):
                yield joint, one

    def open_work(
        self, recordings: Sequence[Recording], limits: LimitSet, said: BadEnd | None
    ) -> list[Task]:
        """Return the tasks that make the answers exact; `take` wants their results.

        None for a recording that is being written: what is read of it while they are worked on is
        more than what they were asked of, and less than what is asked of next.
        """
        work = []
        for recording in recordings:
            if recording.live:
                continue
            for joint in self._joints(recording, limits, said):
                missing = [
                    limit
                    for limit in self._on(recording, joint, limits)
                    if self._exact.get((*_place(recording, joint), _key(limit))) is None
                ]
                rows = recording.row_count(joint)
                work += tasks_of(recording.path, joint, missing, rows=rows, slices=1)
        return work

    def take(self, recording: Recording, task: Task, found: Sequence[Alerts]) -> None:
        """Take in what a task of `open_work` came to."""
        for limit, alerts in zip(task.limits, found, strict=True):
            key = (*_place(recording, task.joint), _key(limit))
            self._exact.put(key, alerts, size_bytes=_alert_bytes(alerts))

    def _joints(
        self, recording: Recording, limits: LimitSet, said: BadEnd | None
    ) -> tuple[str, ...]:
        watched = watched_joints(recording, limits.limits)
        if said is None or not watched:
            return watched
        return known_on(recording, said, watched)

    def _on(self, recording: Recording, joint: str, limits: LimitSet) -> list[OfJoint]:
        """Return the limits on a joint in its channels' units."""
        mine = limits.for_joint(
            joint, recording.channels(joint), sensor=joint in recording.bench.sensors
        )
        rated = recording.bench.joint(joint).rated
        return [own for limit in mine if (own := spoken(limit, rated)) is not None]

    def _told(self, recording: Recording, joint: str, limit: OfJoint) -> Told:
        exact = self._exact.get((*_place(recording, joint), _key(limit)))
        alerts = exact if exact is not None else self.rough(recording, joint, limit).alerts
        return Told(joint=joint, limit=limit, alerts=alerts, exact=exact is not None)

    def _roughly(self, recording: Recording, joint: str, limit: OfJoint) -> Rough:
        span_ns = (recording.start_ns, recording.end_ns)
        found = rough(
            limit,
            {
                name: self.sketch(recording, joint, name, style)
                for name, style in styles_of(limit).items()
            },
            joint=joint,
            hold_ns=recording.hold_ns(joint),
            gaps=recording.gaps(joint) if isinstance(limit, Silence) else [],
            span_ns=span_ns,
        )
        return Rough(alerts=found.alerts, shape=shaped(found, *span_ns, bins=BINS))

    def _bad_ends(
        self, recording: Recording, said: BadEnd | None, joints: tuple[str, ...]
    ) -> dict[str, Spans]:
        if said is None:
            return {}
        key = (recording.path, recording.end_ns, said.model_dump_json(), joints)
        return self._ends.made(key, lambda: bad_ends(recording, said, joints), _ends_bytes)


def _place(recording: Recording, joint: str) -> tuple[str, int, str]:
    """Return what tells one joint of one state of a recording from all others."""
    return str(recording.path), recording.end_ns, joint


def _key(limit: OfJoint) -> str:
    """Return a text that is the same for limits that raise the same."""
    return f"{type(limit).__name__} {limit.model_dump_json(exclude={'name', 'severity', 'joint'})}"


def _ends_bytes(ends: dict[str, Spans]) -> int:
    return 500 + 100 * sum(map(len, ends.values()))


def _alert_bytes(alerts: Alerts) -> int:
    return 3 * 8 * len(alerts) + 200
