"""One piece of a sweep: limits on one joint of one recording, by the shortest exact way.

A task is plain data and its result are arrays, so that any executor can take it: this process,
other processes, other machines that see the same folders or addresses. It depends on nothing else.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np

from logger.limits.evaluate import spoken
from logger.limits.frozen import Frozen
from logger.limits.level import Level, Outside, RatedLevel
from logger.limits.limit import OfJoint
from logger.limits.silence import Silence
from logger.limits.touch import Touch
from logger.store.layout.remote import Place
from replay.evaluation.alert_arrays import Alerts, Heed
from replay.evaluation.full_evaluation import in_full
from replay.evaluation.inverse_time_alerts import by_runs, forgets
from replay.evaluation.level_alerts import by_pyramid
from replay.evaluation.score_groups import scores_of, shared
from replay.evaluation.stuck_alerts import may_freeze
from replay.evaluation.thermal_alerts import by_moments, summed
from replay.recording import Recording

__all__ = ["Task", "alerts_on", "tasks_of", "worked"]

_LEVELS = (Level, RatedLevel, Outside, Touch)
_FEW: Final = 1000
"""Levels in a part at least."""
_MANY: Final = 4
"""So many thermal images cost less by their moments than one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Some limits, to be taken over one joint of one recording."""

    recording: Place
    joint: str
    limits: tuple[OfJoint, ...]
    places: tuple[int, ...]
    """What whoever asked calls each of them."""
    weight: float
    """How much work it is, about; to tell what is left."""


def tasks_of(
    recording: Place, joint: str, limits: Sequence[OfJoint], *, rows: int, slices: int
) -> list[Task]:
    """Return the tasks that take limits over a joint; each is called by its place.

    `slices`: into how many about equal parts the work on one joint is cut.
    """
    levels = [place for place, limit in enumerate(limits) if isinstance(limit, _LEVELS)]
    groups: dict[str, list[int]] = {}
    for place, limit in enumerate(limits):
        if not isinstance(limit, _LEVELS):
            # What is costly about silences and images is done once for all of them.
            alike = isinstance(limit, Silence) or summed(limit)
            key = limit.kind if alike else scores_of(limit)
            groups.setdefault(key, []).append(place)
    cuts = [
        levels[first::count] for count in [_cuts(len(levels), slices)] for first in range(count)
    ]
    # Like beside like, dealt out: hard ones and easy ones come into each part.
    dealt = [groups[key] for key in sorted(groups)]
    others = [[*chain.from_iterable(dealt[first::slices])] for first in range(slices)]
    weights = [*((cut, 0.01) for cut in cuts), *((cut, 1.0) for cut in others)]
    return [
        Task(
            recording=recording,
            joint=joint,
            limits=tuple(limits[place] for place in places),
            places=tuple(places),
            weight=float(rows + 1) * share * (len(places) + 5),
        )
        for places, share in weights
        if places
    ]


def _cuts(levels: int, slices: int) -> int:
    """Return into how many parts levels are cut: few of them cost no more than one does."""
    return max(min(slices, levels // _FEW), 1)


def worked(task: Task, heed: Heed = lambda _share: None) -> list[Alerts]:
    """Return the alerts of each limit of a task.

    Raises
    ------
    InputError
        The recording cannot be opened.
    """
    return alerts_on(Recording.open(task.recording), task.joint, task.limits, heed=heed)


def alerts_on(
    recording: Recording,
    joint: str,
    limits: Sequence[OfJoint],
    *,
    heed: Heed = lambda _share: None,
) -> list[Alerts]:
    """Return the alerts of each limit on one joint, in the order given.

    One at a share of a rated value that the joint does not have raises nothing.
    """
    rated = recording.bench.joint(joint).rated
    found: dict[int, Alerts] = {}
    left: dict[int, OfJoint] = {}
    for place, limit in enumerate(limits):
        own = spoken(limit, rated)
        if own is None:
            found[place] = _none()
        else:
            left[place] = own

    def take(places: list[int], alerts: Iterable[Alerts | None]) -> None:
        for place, told in zip(places, alerts, strict=True):
            if told is not None:
                found[place] = told
                del left[place]

    levels = {place: one for place, one in left.items() if isinstance(one, Level | Outside | Touch)}
    if levels:
        take([*levels], by_pyramid(recording, joint, [*levels.values()], heed=heed))
    curves = {place: one for place, one in left.items() if forgets(one)}
    if curves:
        take([*curves], by_runs(recording, joint, [*curves.values()], heed=heed))
    images = {place: one for place, one in left.items() if summed(one)}
    if len(shared(images.items(), recording.hold_ns(joint))) >= _MANY:
        take([*images], by_moments(recording, joint, [*images.values()], heed=heed))
    frozen = {place: one for place, one in left.items() if isinstance(one, Frozen)}
    if frozen:
        may = may_freeze(recording, joint, [*frozen.values()])
        take([*frozen], [None if one else _none() for one in may])
    if left:
        take([*left], in_full(recording, joint, [*left.values()], heed=heed))
    return [found[place] for place in range(len(limits))]


def _none() -> Alerts:
    nothing = np.empty(0, np.int64)
    return Alerts(onset_ns=nothing, raised_ns=nothing, returned_ns=nothing)
