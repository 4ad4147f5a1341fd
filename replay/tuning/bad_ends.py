"""The bad ends of a recording: what a limit should have told of before it came.

A level that stands on a channel is found by the very limit that it would be; a note says it by its
text. Those of one joint are in order of time; what follows within `apart_s` is the same one.
"""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from logger.errors import InputError
from logger.limits.level import Level
from logger.limits.limit import Limit, LimitSet
from logger.settings_file import nearest
from replay.evaluation.level_alerts import by_pyramid
from replay.recording import Recording
from replay.tuning.sweep_file import BadEnd

__all__ = ["Spans", "bad_ends", "known_on", "watched_joints"]

Spans = tuple[tuple[int, int], ...]
"""(onset_ns, end_ns) of each: its first reading (or note), and where it was over."""


def bad_ends(recording: Recording, said: BadEnd, joints: Sequence[str]) -> dict[str, Spans]:
    """Return the bad ends of each joint that is judged.

    A level is looked for on each of `joints` that carries its channel, or on the one that is
    named. One on a joint that is not judged (a sensor), and a note for which none is named, count
    for all of them.
    """
    if said.note is not None:
        length_ns = round((said.length_s or 0.0) * 1e9)
        text = said.note.casefold()
        found = _apart(
            [
                (event.time_ns, event.time_ns + length_ns)
                for event in recording.events()
                if event.kind == "note" and text in event.text.casefold()
            ],
            said,
            recording.end_ns,
        )
        return {joint: found if said.joint in {None, joint} else () for joint in joints}
    assert said.channel is not None, "the model has one of the two"
    if said.joint is not None and said.joint not in joints:
        elsewhere = _of_level(recording, said, said.joint)
        return dict.fromkeys(joints, elsewhere)
    return {
        joint: _of_level(recording, said, joint)
        if said.joint in {None, joint} and said.channel in recording.channels(joint)
        else ()
        for joint in joints
    }


def watched_joints(recording: Recording, limits: Iterable[Limit]) -> tuple[str, ...]:
    """Return the joints and sensors that at least one of some limits watches, as on the bench."""
    chosen = LimitSet(limits=tuple(limits))
    sensors = recording.bench.sensors
    return tuple(
        joint
        for joint in recording.joints
        if chosen.for_joint(joint, recording.channels(joint), sensor=joint in sensors)
    )


def known_on(recording: Recording, said: BadEnd, watched: tuple[str, ...]) -> tuple[str, ...]:
    """Return those of the watched joints on which it is known whether they came to a bad end.

    Raises
    ------
    InputError
        The joint or channel that is said is not in the recording.
    """
    place = f"{recording.path}: bad_end"
    if said.joint is not None:
        if said.joint not in recording.joints:
            raise InputError(
                f"{place}.joint: found {said.joint!r}, expected a joint or sensor of the "
                f"recording.{nearest(said.joint, recording.joints)}"
            )
        if said.channel is not None and said.channel not in recording.channels(said.joint):
            raise InputError(
                f"{place}.channel: found {said.channel!r}, which {said.joint!r} does not carry; "
                f"expected one of {', '.join(recording.channels(said.joint))}."
            )
        return (said.joint,) if said.joint in watched else watched
    if said.channel is None:
        return watched
    known = tuple(joint for joint in watched if said.channel in recording.channels(joint))
    if not known:
        raise InputError(
            f"{place}.channel: found {said.channel!r}, which none of the joints that the limits "
            f"watch ({', '.join(watched) or 'none'}) carries; expected a channel of one of them, "
            "or the joint or sensor that carries it as bad_end.joint."
        )
    return known


def _of_level(recording: Recording, said: BadEnd, joint: str) -> Spans:
    told = {
        key: value
        for key in ("channel", "above", "below", "drop_off")
        if (value := getattr(said, key)) is not None
    }
    limit = Level.model_validate(
        {"name": "bad-end", "severity": "trip", "on_delay_s": said.for_s, **told}
    )
    (alerts,) = by_pyramid(recording, joint, [limit])
    return _apart(_pairs(alerts.onset_ns, alerts.returned_ns), said, recording.end_ns)


def _pairs(begin: NDArray[np.int64], end: NDArray[np.int64]) -> list[tuple[int, int]]:
    return list(zip(begin.tolist(), end.tolist(), strict=True))


def _apart(spans: list[tuple[int, int]], said: BadEnd, end_ns: int) -> Spans:
    """Return spans in order, those that are close as one, none beyond the recording's end."""
    apart_ns = round(said.apart_s * 1e9)
    found: list[tuple[int, int]] = []
    for begin, until in sorted(spans):
        over = min(until, end_ns)
        if found and begin - found[-1][1] <= apart_ns:
            found[-1] = (found[-1][0], max(found[-1][1], over))
        else:
            found.append((begin, over))
    return tuple(found)
