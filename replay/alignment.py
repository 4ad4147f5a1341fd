"""Two recordings over each other: where the second one stands on the time axis of the first.

A shift says how much later than the first one's start that of the second is laid; it is given by
hand, or found from an event of each. The first one's axis and clock stay what they are. Reads no
disk: what is found is found among events that somebody read.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, cast

from logger.event_kind import EventKind
from logger.store.layout.events import Event
from replay.recording import Recording

__all__ = ["Anchor", "AnchorKind", "Overlay", "find_anchors", "first_common_alert"]

AnchorKind = Literal[EventKind.RAISED, EventKind.RETURNED, EventKind.NOTE, EventKind.ENDED]
_ANCHOR_EVENTS: Final = frozenset({EventKind.RAISED, EventKind.RETURNED, EventKind.NOTE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """An event of a recording that one of another recording can be laid at."""

    kind: AnchorKind
    offset_ns: int
    """Since the recording's start."""
    joint: str = ""
    limit: str = ""
    text: str = ""
    """What a note says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """A second recording that lies over a first."""

    recording: Recording
    shift_ns: int
    """Its start stands so much later than the first one's; negative: earlier."""

    @property
    def zero_ns(self) -> int:
        """Its instant that stands at the first one's start; may lie before its own."""
        return self.recording.start_ns - self.shift_ns


def find_anchors(
    events: Iterable[Event], *, start_ns: int, end_ns: int | None = None
) -> tuple[Anchor, ...]:
    """Return what of a recording's events another can be laid at, in order of time.

    Parameters
    ----------
    events
        The recording's.
    start_ns
        When it began.
    end_ns
        When it ended; None while it has no end, which is then no event either.
    """
    anchors = [
        Anchor(
            kind=cast("AnchorKind", event.kind),
            offset_ns=event.time_ns - start_ns,
            joint=event.joint,
            limit=event.limit,
            text=event.text if event.kind == EventKind.NOTE else "",
        )
        for event in events
        if event.kind in _ANCHOR_EVENTS
    ]
    if end_ns is not None:
        anchors.append(Anchor(kind=EventKind.ENDED, offset_ns=end_ns - start_ns))
    return tuple(sorted(anchors, key=lambda anchor: anchor.offset_ns))


def first_common_alert(first: Sequence[Anchor], second: Sequence[Anchor]) -> tuple[int, int] | None:
    """Return the places of the first raising of the same limit in both, None if there is none.

    Both in order of time. What was raised on the same joint in both comes first, then a limit by
    its name alone: the joint may have been called otherwise.
    """
    for by_joint in (True, False):
        raised_in_second: dict[tuple[str, str], int] = {}
        for index, anchor in enumerate(second):
            if anchor.kind == EventKind.RAISED:
                raised_in_second.setdefault((anchor.limit, anchor.joint if by_joint else ""), index)
        for index, anchor in enumerate(first):
            key = (anchor.limit, anchor.joint if by_joint else "")
            if anchor.kind == EventKind.RAISED and key in raised_in_second:
                return index, raised_in_second[key]
    return None
