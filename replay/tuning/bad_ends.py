"""The bad ends of a recording: what a limit should have warned of.

A level on a channel is found by evaluating it as a limit, a note by its text. The bad ends of a
joint are in order of time; those that follow each other within `apart_s` are one.
"""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_ns
from logger.errors import InputError, Mistake
from logger.limits.kinds.level import Level
from logger.limits.limit import Limit, LimitSet
from logger.settings_file import did_you_mean
from replay.evaluation.level_alerts import level_alerts
from replay.recording import Recording
from replay.tuning.sweep_file import BadEnd

__all__ = ["TimeSpans", "find_bad_ends", "scorable_joints", "watched_joints"]

TimeSpans = tuple[tuple[int, int], ...]
"""(onset_ns, end_ns) of each: its first reading (or note), and where it was over."""


def find_bad_ends(
    recording: Recording, bad_end: BadEnd, joints: Sequence[str]
) -> dict[str, TimeSpans]:
    """Return the bad ends of each joint that is scored.

    A level is looked for on each of `joints` that has its channel, or on the joint that the bad
    end names. One on a joint that is not scored (a sensor), and a note without a joint, count for
    all of `joints`.
    """
    if bad_end.note is not None:
        length_ns = to_ns(bad_end.length_s or 0.0)
        text = bad_end.note.casefold()
        noted_ends = _merge_close_spans(
            [
                (note.time_ns, note.time_ns + length_ns)
                for note in recording.read_notes()
                if text in note.text.casefold()
            ],
            bad_end,
            recording.end_ns,
        )
        return {joint: noted_ends if bad_end.joint in {None, joint} else () for joint in joints}
    assert bad_end.channel is not None, "the model has one of the two"
    if bad_end.joint is not None and bad_end.joint not in joints:
        elsewhere = _level_bad_ends(recording, bad_end, bad_end.joint)
        return dict.fromkeys(joints, elsewhere)
    return {
        joint: _level_bad_ends(recording, bad_end, joint)
        if bad_end.joint in {None, joint} and bad_end.channel in recording.channels(joint)
        else ()
        for joint in joints
    }


def watched_joints(recording: Recording, limits: Iterable[Limit]) -> tuple[str, ...]:
    """Return the joints and sensors that any of the limits watches, in the order of the bench."""
    limit_set = LimitSet(limits=tuple(limits))
    sensors = recording.bench.sensors
    return tuple(
        joint
        for joint in recording.joints
        if limit_set.for_joint(joint, recording.channels(joint), sensor=joint in sensors)
    )


def scorable_joints(
    recording: Recording, bad_end: BadEnd, watched: tuple[str, ...]
) -> tuple[str, ...]:
    """Return the watched joints of which it is known whether they came to a bad end.

    Raises
    ------
    InputError
        The recording lacks the joint or channel of the bad end.
    """
    if bad_end.joint is not None:
        if bad_end.joint not in recording.joints:
            raise _mistaken(
                recording,
                "joint",
                f"found {bad_end.joint!r}, expected a joint or sensor of the "
                f"recording.{did_you_mean(bad_end.joint, recording.joints)}",
            )
        if bad_end.channel is not None and bad_end.channel not in recording.channels(bad_end.joint):
            raise _mistaken(
                recording,
                "channel",
                f"found {bad_end.channel!r}, which {bad_end.joint!r} does not carry; "
                f"expected one of {', '.join(recording.channels(bad_end.joint))}.",
            )
        return (bad_end.joint,) if bad_end.joint in watched else watched
    if bad_end.channel is None:
        return watched
    carrying = tuple(joint for joint in watched if bad_end.channel in recording.channels(joint))
    if not carrying:
        raise _mistaken(
            recording,
            "channel",
            f"found {bad_end.channel!r}, which none of the joints that the limits "
            f"watch ({', '.join(watched) or 'none'}) carries; expected a channel of one of them, "
            "or the joint or sensor that carries it as bad_end.joint.",
        )
    return carrying


def _mistaken(recording: Recording, key: str, problem: str) -> InputError:
    """Return the error about a key of the bad end on a recording."""
    mistake = Mistake(where=str(recording.path), key=("bad_end", key), problem=problem)
    return InputError(mistakes=[mistake])


def _level_bad_ends(recording: Recording, bad_end: BadEnd, joint: str) -> TimeSpans:
    given_keys = {
        key: value
        for key in ("channel", "above", "below", "drop_off")
        if (value := getattr(bad_end, key)) is not None
    }
    limit = Level.model_validate(
        {"name": "bad-end", "severity": "trip", "on_delay_s": bad_end.for_s, **given_keys}
    )
    limit = limit.with_grids(recording.count_grids(joint))
    (alerts,) = level_alerts(recording, joint, [limit])
    return _merge_close_spans(
        _to_spans(alerts.onset_ns, alerts.returned_ns), bad_end, recording.end_ns
    )


def _to_spans(begin: NDArray[np.int64], end: NDArray[np.int64]) -> list[tuple[int, int]]:
    return list(zip(begin.tolist(), end.tolist(), strict=True))


def _merge_close_spans(spans: list[tuple[int, int]], bad_end: BadEnd, end_ns: int) -> TimeSpans:
    """Return spans in order, close ones merged, cut at the end of the recording."""
    apart_ns = to_ns(bad_end.apart_s)
    merged: list[tuple[int, int]] = []
    for begin, until in sorted(spans):
        ended_ns = min(until, end_ns)
        if merged and begin - merged[-1][1] <= apart_ns:
            merged[-1] = (merged[-1][0], max(merged[-1][1], ended_ns))
        else:
            merged.append((begin, ended_ns))
    return tuple(merged)
