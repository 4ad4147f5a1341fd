"""What the joints report in words within a batch: codes that change, text fields, restarts. Pure.

Most batches only repeat the codes that were reported; where that is seen at once nothing is done.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.joint.decode.decode_plan import DecodePlan, JointPlan
from logger.joint.decode.decode_state import JointState
from logger.joint.decode.joint_rows import JointRows
from logger.joint.decode.text_codes import Notice, decode_texts

__all__ = ["decode_joint_texts"]


def decode_joint_texts(
    plan: DecodePlan,
    states: list[JointState],
    rows: JointRows,
    values: Floats,
    data: NDArray[np.uint8],
) -> tuple[list[Notice], Mapping[int, Ints]]:
    """Return the joints' notices, and their restarts; put the states after them into `states`.

    Parameters
    ----------
    values
        The readings of all joints, shape (channels + 1, n).
    data
        The payloads of the batch.

    Returns
    -------
    notices, restarts
        Joint -> how often it was switched on up to each of its rows; of those that ever were.
    """
    notices: list[Notice] = []
    restarts: dict[int, Ints] = {}
    for index, joint in enumerate(plan.joints):
        first, end = rows.spans[index]
        if not joint.tells or first == end:
            continue
        if states[index].restarts:
            restarts[index] = np.full(end - first, states[index].restarts)
        if _only_repeats(joint, states[index], rows.kind_counts, values[:, first:end]):
            continue
        more, restarted, states[index] = _decode_texts_of(
            joint, states[index], rows, values, data, span=(first, end)
        )
        notices += more
        if restarted is not None:
            restarts[index] = restarted
    return notices, restarts


def _only_repeats(
    joint: JointPlan, state: JointState, kind_counts: Sequence[int], values: Floats
) -> bool:
    """Whether a joint's rows only repeat what it reported last."""
    for kind in joint.part_kinds:
        if kind_counts[kind]:
            return False
    newest_codes = state.text.codes
    for channel, row, kinds in joint.codes:
        due = 0
        for kind in kinds:
            due += kind_counts[kind]
        if due:
            newest = newest_codes.get(channel)
            if newest is None or np.count_nonzero(values[row] == newest) != due:
                return False
    return True


def _decode_texts_of(
    joint: JointPlan,
    state: JointState,
    rows: JointRows,
    values: Floats,
    data: NDArray[np.uint8],
    *,
    span: tuple[int, int],
) -> tuple[list[Notice], Ints | None, JointState]:
    """Return one joint's notices, its restarts up to each row where there are some, its state."""
    first, end = span
    kind, time_ns = rows.kind[first:end], rows.time_ns[first:end]
    notices: list[Notice] = []
    text_state = state.text
    restarted: NDArray[np.bool_] | None = None
    for number, frame in enumerate(joint.frames, start=joint.first_kind):
        if not frame.tell or not rows.kind_counts[number]:
            continue
        places = (kind == number).nonzero()[0]
        codes = {
            channel: values[row, first:end][places]
            for channel, row, kinds in joint.codes
            if number in kinds
        }
        if not frame.tell.parts and all(
            text_state.is_repeated(channel, repeated) for channel, repeated in codes.items()
        ):
            continue
        more, restarts, text_state = decode_texts(
            frame.tell,
            text_state,
            joint=joint.joint.name,
            label=joint.joint.label or joint.joint.name,
            time_ns=time_ns[places],
            values=codes,
            data=data[rows.frames_at(first + places)],
        )
        notices += more
        if restarts.any():
            if restarted is None:
                restarted = np.zeros(end - first, bool)
            restarted[places] = restarts
    if text_state is not state.text:
        state = state._replace(text=text_state)
    if restarted is None:
        return notices, None, state
    count = state.restarts + np.cumsum(restarted)
    return notices, count, state._replace(restarts=int(count[-1]))
