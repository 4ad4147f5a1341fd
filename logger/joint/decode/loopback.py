"""Responses that look like their request: separated by order and time, or counted.

Some joints answer with the identifier and the leading bytes of the request, so that a third
listener sees both alike: Q R . . . Q R . . . The response follows its request at once, the
next request only after a pause. So in each run of frames without a pause the first is a request and
the second its response. A third is ambiguous, since one frame before it may have been lost; so is
all that follows it, up to the next pause. A run of a single frame is half of a pair, and either
half is possible. Pure; any chunking gives the same.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MIN_NS

__all__ = ["NO_ECHO_STATE", "EchoState", "is_response"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoState:
    """The state of the previous frame."""

    time_ns: int = TIME_MIN_NS
    row_number: int = -1
    """Its number in its run, from 0; -1: there was none."""


NO_ECHO_STATE: Final = EchoState()


def is_response(
    time_ns: NDArray[np.int64], *, within_ns: int, state: EchoState
) -> tuple[NDArray[np.bool_], int, int, EchoState]:
    """Return which of n frames of one kind are responses.

    Parameters
    ----------
    time_ns
        int64, shape (n,), non-decreasing.
    within_ns
        The longest time from a request to its response.
    state
        The state that the previous call returned.

    Returns
    -------
    responses, unclear, single, state
        bool, shape (n,); how many frames were ambiguous; how many were left single, which is
        known when the next run begins; and the state after them.
    """
    if len(time_ns) == 0:
        return np.empty(0, bool), 0, 0, state
    previous = np.concatenate(([np.int64(state.time_ns)], time_ns[:-1]))
    starts_run = time_ns - previous > within_ns
    if state.row_number < 0:
        starts_run[0] = True
    number = np.arange(len(time_ns))
    # After the last beginning, or after what the state counted so far.
    start = np.maximum.accumulate(np.where(starts_run, number, -(state.row_number + 1)))
    row_number = number - start
    previous_number = np.concatenate(([state.row_number], row_number[:-1]))
    single = starts_run & (previous_number == 0)
    return (
        row_number == 1,
        int(np.count_nonzero(row_number >= 2)),
        int(np.count_nonzero(single)),
        EchoState(time_ns=int(time_ns[-1]), row_number=int(row_number[-1])),
    )
