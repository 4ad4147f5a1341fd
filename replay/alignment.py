"""Two recordings over each other: where the second one lies on the time axis of the first.

The shift is by how much later than the start of the first recording that of the second one lies. It
is given by hand, or by one event of each. The axis and clock of the first are unchanged. Reads no
disk: the events are given.
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
    """An event of a recording by which it can be aligned with another one."""

    kind: AnchorKind
    offset_ns: int
    """Time since the start of the recording."""
    joint: str = ""
    limit: str = ""
    text: str = ""
    """The text of a note."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """A second recording that lies over a first."""

    recording: Recording
    shift_ns: int
    """By how much later than the first one it starts; negative: earlier."""
    joints: tuple[str, str] | None = None
    """The one joint of the first one that something lies over, and the joint that does; None: each
    joint lies over the one of its name."""

    def joint_over(self, joint: str) -> str | None:
        """Return its joint that lies over one of the first one, None for none."""
        over = joint if self.joints is None else dict([self.joints]).get(joint)
        return over if over in self.recording.joints else None

    @property
    def zero_ns(self) -> int:
        """Its instant at the start of the first one; may be before its own start."""
        return self.recording.start_ns - self.shift_ns


def find_anchors(
    events: Iterable[Event], *, start_ns: int, end_ns: int | None = None
) -> tuple[Anchor, ...]:
    """Return the events of a recording that can be aligned with another's, in order of time.

    Parameters
    ----------
    events
        All events of the recording.
    start_ns
        Its start.
    end_ns
        Its end, which is an anchor too; None while it has none.
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
    """Return the indices of the first raise of the same limit in both, None if there is none.

    Both must be in order of time. A limit on the same joint in both is preferred to one of the same
    name alone, since the joint may have another name.
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
