"""What a limit raised over a recording, as arrays; and when somebody listened. Pure."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.limits.change import Change
from logger.store.events import Event

__all__ = ["STANDING_NS", "Alerts", "Heard", "Heed", "alerts_of", "heard_of"]

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


def alerts_of(changes: Iterable[Change]) -> Alerts:
    """Return the alerts that the raises and returns of one limit make, given in order."""
    onset: list[int] = []
    raised: list[int] = []
    returned: list[int] = []
    for change in changes:
        if change.kind == "raised":
            onset.append(change.onset_ns)
            raised.append(change.time_ns)
            returned.append(STANDING_NS)
        else:
            returned[-1] = change.time_ns
    return Alerts(
        onset_ns=np.array(onset, np.int64),
        raised_ns=np.array(raised, np.int64),
        returned_ns=np.array(returned, np.int64),
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
