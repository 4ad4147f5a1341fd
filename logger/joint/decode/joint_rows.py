"""The rows of a batch: its frames by joint, those of each in order of time. Pure.

What follows works on the rows of all joints at once, and cuts them up by joint last of all.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Ints
from logger.joint.batch import FrameBatch
from logger.joint.decode.decode_plan import DecodePlan

__all__ = ["JointRows", "rows_by_joint"]


class JointRows(NamedTuple):
    """The n rows of all joints, one after the other; a tuple, as one is made of every batch."""

    frame: NDArray[np.intp] | None
    """Shape (n,): which frame of the batch each row is; None: all, as they are."""
    kind: NDArray[np.intp]
    """Shape (n,): the kind of each."""
    time_ns: Ints
    kind_counts: Sequence[int]
    """How many rows are of each kind."""
    spans: Sequence[tuple[int, int]]
    """Where the rows of each joint begin and end."""

    def frames_at(self, places: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return which frames of the batch some rows are."""
        return places if self.frame is None else self.frame[places]


def rows_by_joint(
    plan: DecodePlan, frames: FrameBatch, match_number: NDArray[np.intp]
) -> JointRows:
    """Return the rows of frames whose matches are known, shape (n,); of no joint below 0."""
    frame: NDArray[np.intp] | None
    if plan.kind_of is None or plan.joint_of is None:
        kinds = [joint.kind_of[match_number] for joint in plan.joints]
        its_frames = [(kind >= 0).nonzero()[0] for kind in kinds]
        frame = np.concatenate(its_frames)
        kind = np.concatenate(
            [
                kind[own] + np.intp(joint.first_kind)
                for kind, own, joint in zip(kinds, its_frames, plan.joints, strict=True)
            ]
        )
        kind_counts = np.bincount(kind, minlength=plan.kinds).tolist()
    else:
        kind = plan.kind_of[match_number]
        *kind_counts, of_none = np.bincount(kind, minlength=plan.kinds + 1).tolist()
        if len(plan.joints) == 1 and of_none == 0:
            frame = None
        else:
            # Frames of no joint come last.
            frame = plan.joint_of[match_number].argsort(kind="stable")
            if of_none:
                frame = frame[: len(frame) - of_none]
            kind = kind[frame]
    spans, end = [], 0
    for kinds_of_joint in plan.kinds_of_joints:
        first = end
        end += sum(kind_counts[kinds_of_joint])
        spans.append((first, end))
    time_ns = frames.time_ns if frame is None else frames.time_ns[frame]
    return JointRows(frame, kind, time_ns, kind_counts, spans)
