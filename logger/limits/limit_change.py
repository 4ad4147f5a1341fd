"""One change of a limit, as evaluation yields it: raised or returned, judged or not. Pure data."""

from dataclasses import dataclass
from typing import Literal

from logger.event_kind import EventKind

__all__ = ["CoverageChange", "EventSeverity", "LimitChange", "Severity"]

Severity = Literal["warning", "trip"]
EventSeverity = Literal["", "warning", "trip"]
"""The same of an event; "": it is of no alert."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitChange:
    """A limit of one joint was raised, or has returned."""

    time_ns: int
    """When it counted: the reading (or the end of the wait) that completed the delay."""
    limit: str
    joint: str
    severity: Severity
    channel: str
    """Empty for a limit that is on no channel (silence)."""
    kind: Literal[EventKind.RAISED, EventKind.RETURNED]
    value: float
    """The reading at `time_ns` in the channel's unit, with its sign; silence: the span in s."""
    onset_ns: int
    """The first reading that qualified for this change: where its delay began to run."""
    peak: float
    """The worst reading from the onset of the alert to `time_ns`, with its sign: the highest for
    `above`, the lowest for `below`, by magnitude where the limit means it; silence: the span in s.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageChange:
    """A limit of one joint is not judged any more, or is judged again (`gaps`)."""

    time_ns: int
    """A row of the joint: at which it was not judged for too long, or is judged again."""
    limit: str
    joint: str
    kind: Literal[EventKind.LIMIT_NOT_JUDGED, EventKind.LIMIT_JUDGED_AGAIN]
    since_ns: int
    """When it was judged last before; at first the start."""
