"""Which joint a person means for a fit of heat. Pure."""

from collections.abc import Sequence

from logger.errors import InputError
from replay.recording import Recording

__all__ = ["chosen_joint"]


def chosen_joint(recordings: Sequence[Recording], name: str | None) -> str:
    """Return the joint that is meant: the one that was named, or the only one.

    Raises
    ------
    InputError
        There are several and none was named, or a recording does not have it.
    """
    if name is None:
        joints = _joints(recordings[0])
        if len(joints) != 1:
            raise InputError(
                where="--joint",
                found="none",
                expected=f"one of the recording's joints: {', '.join(joints)}",
            )
        name = joints[0]
    for one in recordings:
        if name not in _joints(one):
            raise InputError(
                where="--joint",
                found=repr(name),
                expected=f"a joint of {one.name}: {', '.join(_joints(one))}",
            )
    return name


def _joints(recording: Recording) -> list[str]:
    return [one for one in recording.joints if one not in recording.bench.sensors]
