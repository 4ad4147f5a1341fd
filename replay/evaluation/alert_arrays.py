"""What a limit raised over a recording, as arrays; and when somebody listened. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.limits.limit_change import Change
from logger.store.layout.events import Event

__all__ = ["STANDING_NS", "Alerts", "Flips", "Heard", "Heed", "alerts_of", "flips_of", "heard_of"]

Heed = Callable[[float], None]
"""Is told the share of a piece of work that is done, 0 to 1; raises to end it."""

STANDING_NS: Final = 2**62
"""The return of an alert that had not returned at the recording's end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alerts:
    """n alerts of one limit on one joint, in order of time; every array has length n."""

    onset_ns: NDArray[np.int64]
    """The first reading at which the condition stood."""
    raised_ns: NDArray[np.int64]
    returned_ns: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.raised_ns)

    def same_as(self, other: "Alerts") -> bool:
        """Return whether both tell of the same alerts, to the nanosecond."""
        return (
            np.array_equal(self.onset_ns, other.onset_ns)
            and np.array_equal(self.raised_ns, other.raised_ns)
            and np.array_equal(self.returned_ns, other.returned_ns)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Flips:
    """n changes of one limit in order of time: raised and returned by turns."""

    raised: bool
    """Whether the first is a raise."""
    onset_ns: NDArray[np.int64]
    time_ns: NDArray[np.int64]


def flips_of(changes: Sequence[Change]) -> list[Flips]:
    """Return the changes of one limit, given in order, as arrays."""
    if not changes:
        return []
    return [
        Flips(
            raised=changes[0].kind == "raised",
            onset_ns=np.array([one.onset_ns for one in changes], np.int64),
            time_ns=np.array([one.time_ns for one in changes], np.int64),
        )
    ]


def alerts_of(parts: Sequence[Flips]) -> Alerts:
    """Return the alerts that the changes of one limit make; the first of all is a raise."""
    nothing = np.empty(0, np.int64)
    raised = [part.time_ns[not part.raised :: 2] for part in parts]
    onset = [part.onset_ns[not part.raised :: 2] for part in parts]
    returned = np.concatenate([nothing, *(part.time_ns[part.raised :: 2] for part in parts)])
    begun = np.concatenate([nothing, *raised])
    standing = np.full(len(begun) - len(returned), STANDING_NS, np.int64)
    return Alerts(
        onset_ns=np.concatenate([nothing, *onset]),
        raised_ns=begun,
        returned_ns=np.concatenate([returned, standing]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A stretch of a recording between two beginnings of its recorder."""

    start_ns: int
    end_ns: int
    """Where the next begins, or the recording ends."""
    until_ns: int
    """Until when somebody listened; behind it nobody knows of a silence."""


def heard_of(events: Sequence[Event], start_ns: int, end_ns: int) -> tuple[Heard, ...]:
    """Return the stretches of a recording, in order: one, and one more each time it went on."""
    turns = sorted(
        (event.time_ns, event.time_ns - round(event.duration_s * 1e9))
        for event in events
        if event.kind == "continued" and start_ns < event.time_ns < end_ns
    )
    found = []
    for turn_ns, until_ns in [*turns, (end_ns, end_ns)]:
        found.append(Heard(start_ns=start_ns, end_ns=turn_ns, until_ns=until_ns))
        start_ns = turn_ns
    return tuple(found)
