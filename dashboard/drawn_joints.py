"""Which joints of a recording are drawn: those that the reader chose, else the most urgent."""

from collections.abc import Collection, Sequence

from dashboard.figures.axes import main_temperature
from dashboard.figures.pens import MAX_PENS, Pens, choose_pens
from logger.limits.limit import LimitSet
from replay.excursions.applied_limits import AppliedLimits, recorded_limits
from replay.recording import Recording
from replay.urgency import recorded_urgencies, sort_by_urgency

__all__ = [
    "common_pens",
    "drawn_pens",
    "limited_channels",
    "listed_joints",
    "main_temperatures",
    "most_urgent",
]


def limited_channels(recording: Recording, limits: LimitSet) -> dict[str, set[str]]:
    """Return for each joint the channels on which it has a limit."""
    return {
        joint: {
            limit.channel
            for limit in limits.for_joint(
                joint, recording.channels(joint), sensor=joint in recording.bench.sensors
            )
            if hasattr(limit, "channel")
        }
        for joint in recording.joints
    }


def main_temperatures(
    recording: Recording, limits: LimitSet | None = None
) -> dict[str, str | None]:
    """Return for each joint the temperature that represents it, None where it has none.

    `limits`: of several temperatures the one with a limit; None: the newest in force.
    """
    limited = limited_channels(recording, recording.limits if limits is None else limits)
    return {
        joint: main_temperature(recording.channels(joint), limited[joint])
        for joint in recording.joints
    }


def most_urgent(recording: Recording, applied: AppliedLimits | None = None) -> tuple[str, ...]:
    """Return the joints of a recording without its instruments, the most urgent first.

    `applied`: the limits that are shown, and what they raised; None: as recorded.
    """
    applied = applied or recorded_limits(recording)
    temperatures = main_temperatures(recording, applied.limits)
    urgencies = recorded_urgencies(recording, applied.alerts, temperatures)
    return tuple(one.joint for one in sort_by_urgency(urgencies))


def listed_joints(recording: Recording) -> tuple[str, ...]:
    """Return the joints of a recording without its instruments, as a page lists them.

    In the order of the bench; the most urgent first where they are more than a figure draws.
    """
    if len(recording.joints) > MAX_PENS:
        return most_urgent(recording)
    return tuple(joint for joint in recording.joints if joint not in recording.bench.sensors)


def drawn_pens(
    recording: Recording,
    applied: AppliedLimits | None = None,
    chosen: Sequence[str] | None = None,
) -> Pens:
    """Return which joints of a recording are drawn: the chosen ones, else the most urgent.

    `applied` and `chosen`: as in `most_urgent` and `choose_pens`.
    """
    joints = recording.joints
    # What is known without looking at what was recorded, if it is.
    pens = choose_pens((), joints, chosen)
    return pens or choose_pens(most_urgent(recording, applied), joints)


def common_pens(recordings: Sequence[Recording], watched: Collection[str]) -> Pens:
    """Return the pens of joints of several recordings in one figure: a name has one pen in all.

    `watched`: of more joints than pens, only these are drawn, the most urgent of all recordings.
    """
    joints = tuple(dict.fromkeys(joint for one in recordings for joint in one.joints))
    if len(joints) <= MAX_PENS:
        return choose_pens(joints, joints)
    orders = [most_urgent(recording) for recording in recordings]
    ranks = {
        joint: min(o.index(joint) for o in orders if joint in o) for o in orders for joint in o
    }
    # Instruments have no rank, and come last.
    worst_first = sorted(
        (one for one in joints if one in watched), key=lambda one: ranks.get(one, len(joints))
    )
    return choose_pens(worst_first, joints)
