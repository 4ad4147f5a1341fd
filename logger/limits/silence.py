"""Silence of a joint: no row of it, of any kind, for a stated time.

The one limit that a clock can raise: `now_ns` stands for "every row before this has been seen".
Takes the state in and gives it back; any chunking gives the same changes. The meaning is told in
evaluate.py.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.event_kind import EventKind
from logger.limits.kind import LimitName, PositiveDuration, Severity
from logger.limits.limit_change import LimitChange
from logger.settings_file import Settings

__all__ = ["Silence", "SilenceState", "step_silence"]


class Silence(Settings):
    """A joint must not be silent for so long."""

    name: LimitName
    kind: Literal["silence"] = "silence"
    severity: Severity
    joint: str | None = None
    """None: every joint."""
    after_s: PositiveDuration


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceState:
    """What a silence limit remembers between batches."""

    last_ns: int
    """Time of the joint's newest row; before the first, when listening began."""
    active: bool = False


def step_silence(
    limit: Silence,
    state: SilenceState,
    time_ns: NDArray[np.int64],
    *,
    joint: str,
    now_ns: int,
) -> tuple[list[tuple[int, LimitChange]], SilenceState]:
    """Return the changes, each with the index of the row at or before which it is, and the state.

    Parameters
    ----------
    time_ns
        The times of the joint's rows, shape (n,), non-decreasing.
    now_ns
        No later batch holds a row before this.
    """
    after_ns = round(limit.after_s * 1e9)
    changes: list[tuple[int, LimitChange]] = []

    def say(
        index: int,
        kind: Literal[EventKind.RAISED, EventKind.RETURNED],
        at_ns: int,
        onset_ns: int,
        span_ns: int,
    ) -> None:
        change = LimitChange(
            time_ns=at_ns,
            limit=limit.name,
            joint=joint,
            severity=limit.severity,
            channel="",
            kind=kind,
            value=span_ns / 1e9,
            onset_ns=onset_ns,
            peak=span_ns / 1e9,
        )
        changes.append((index, change))

    active, last_ns = state.active, state.last_ns
    if len(time_ns):
        previous_ns = np.concatenate(([last_ns], time_ns[:-1]))
        silent = time_ns - previous_ns >= after_ns
        silent[0] |= active
        for index in np.flatnonzero(silent):
            frame_ns, last_frame_ns = int(time_ns[index]), int(previous_ns[index])
            if not active:
                say(int(index), EventKind.RAISED, last_frame_ns + after_ns, last_frame_ns, after_ns)
            # A row older than the watermark promised must not end a silence before it began.
            at_ns = max(frame_ns, last_frame_ns + after_ns)
            say(int(index), EventKind.RETURNED, at_ns, at_ns, at_ns - last_frame_ns)
            active = False
        last_ns = int(time_ns[-1])
    if not active and now_ns >= last_ns + after_ns:
        say(len(time_ns), EventKind.RAISED, last_ns + after_ns, last_ns, after_ns)
        active = True
    return changes, SilenceState(last_ns=last_ns, active=active)
