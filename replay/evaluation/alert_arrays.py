"""The alerts of a limit over a recording as arrays, and the recorded spans. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS
from logger.event_kind import EventKind
from logger.limits.limit_change import LimitChange
from logger.store.layout.events import Event, pause_ns

__all__ = [
    "STANDING_NS",
    "AlertArrays",
    "RecordedSpan",
    "StateChanges",
    "StoppableProgress",
    "recorded_spans",
    "to_alert_arrays",
    "to_state_changes",
]

StoppableProgress = Callable[[float], None]
"""Takes the share of a piece of work that is done, 0 to 1; may raise to end the work."""

STANDING_NS: Final = TIME_MAX_NS
"""The return of an alert that had not returned at the recording's end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertArrays:
    """n alerts of one limit on one joint, in order of time; every array has length n."""

    onset_ns: NDArray[np.int64]
    """The first reading at which the condition held."""
    raised_ns: NDArray[np.int64]
    returned_ns: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.raised_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChanges:
    """n changes of one limit in order of time, which alternate: raised, returned, raised ..."""

    raised: bool
    """Whether the first is a raise."""
    onset_ns: NDArray[np.int64]
    time_ns: NDArray[np.int64]


def to_state_changes(changes: Sequence[LimitChange]) -> list[StateChanges]:
    """Return the changes of one limit, given in order, as arrays; none of no changes."""
    if not changes:
        return []
    return [
        StateChanges(
            raised=changes[0].kind == EventKind.RAISED,
            onset_ns=np.array([change.onset_ns for change in changes], np.int64),
            time_ns=np.array([change.time_ns for change in changes], np.int64),
        )
    ]


def to_alert_arrays(parts: Sequence[StateChanges]) -> AlertArrays:
    """Return the alerts that the changes of one limit make.

    `parts` are in order of time and alternate across their ends too; the first change is a raise.
    """
    nothing = np.empty(0, np.int64)
    raised_parts = [part.time_ns[not part.raised :: 2] for part in parts]
    onset = [part.onset_ns[not part.raised :: 2] for part in parts]
    returned_ns = np.concatenate([nothing, *(part.time_ns[part.raised :: 2] for part in parts)])
    raised_ns = np.concatenate([nothing, *raised_parts])
    open_ns = np.full(len(raised_ns) - len(returned_ns), STANDING_NS, np.int64)
    return AlertArrays(
        onset_ns=np.concatenate([nothing, *onset]),
        raised_ns=raised_ns,
        returned_ns=np.concatenate([returned_ns, open_ns]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSpan:
    """A span of a recording in which its recorder ran."""

    start_ns: int
    end_ns: int
    """Where the next span begins, or the recording ends."""
    recorded_until_ns: int
    """When the recorder stopped; a silence after it is not one of the joint."""
    is_restart: bool = True
    """Whether it begins with a start of the recorder; else the bus was read again."""


def recorded_spans(
    events: Sequence[Event], start_ns: int, end_ns: int, *, standstills_of: int | None = None
) -> tuple[RecordedSpan, ...]:
    """Return the recorded spans in order: one, and one more each time a recorder resumed.

    `standstills_of`: index of a bus; a span ends as well where it was not read.
    """
    breaks = sorted(
        (event.time_ns, event.time_ns - pause_ns(event), event.kind == EventKind.CONTINUED)
        for event in events
        if start_ns < event.time_ns < end_ns
        and (
            event.kind == EventKind.CONTINUED
            or (
                event.kind == EventKind.STANDSTILL
                and standstills_of is not None
                and event.bus == standstills_of
            )
        )
    )
    spans = []
    is_restart = True
    for turn_ns, until_ns, is_next_restart in [*breaks, (end_ns, end_ns, True)]:
        spans.append(
            RecordedSpan(
                start_ns=start_ns,
                end_ns=turn_ns,
                recorded_until_ns=until_ns,
                is_restart=is_restart,
            )
        )
        start_ns, is_restart = turn_ns, is_next_restart
    return tuple(spans)
