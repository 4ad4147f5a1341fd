"""The codes that drives reported over time, as a fold over the events that tell where they changed.

An event is recorded where the meaning of a code changes, so that no row has to be read; but of a
joint that reports too many the recorder holds events back, and sums them up in one. Such spans are
named here, for their rows to be read. New events are added to what was folded before: a live
recording is asked many times a second. Knows no bench.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.arrays import Ints
from logger.event_kind import EventKind
from logger.store.layout.events import Event

__all__ = [
    "NO_CODES",
    "CodeCourse",
    "CodeCourses",
    "CodeSource",
    "course_of_readings",
    "merged_course",
]

SPAN_NS: Final = 10_000_000_000
MOST_A_SPAN: Final = 20
"""Events of one joint within `SPAN_NS`, beyond which the recorder holds them back
(`logger.recording.notice_throttle`)."""
CODE_KINDS: Final = frozenset({EventKind.FAULT, EventKind.STATE})


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeSource:
    """What reports a code: a channel of a joint, or a kind of message of it."""

    joint: str
    channel: str
    """"" of a message."""
    frame: str = ""
    """Name of the kind of frame, of a message."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeCourse:
    """The codes of one source, shape (n,), in order of time: each holds until the next."""

    time_ns: Ints
    code: Ints

    def since(self, first_ns: int, first_code: int) -> "CodeCourse":
        """Return the course with a code that was reported before all of its own."""
        if len(self.time_ns) and self.time_ns[0] <= first_ns:
            return self
        return CodeCourse(
            time_ns=np.append(np.int64(first_ns), self.time_ns),
            code=np.append(np.int64(first_code), self.code),
        )


NO_CODES: Final = CodeCourse(time_ns=np.empty(0, np.int64), code=np.empty(0, np.int64))


@dataclass(slots=True)
class _GrowingCourse:
    times: list[int] = field(default_factory=list)
    codes: list[int] = field(default_factory=list)
    course: CodeCourse | None = None
    """The same as arrays; None: not made since the last change."""

    def as_arrays(self) -> CodeCourse:
        if self.course is None:
            time_ns = np.array(self.times, np.int64)
            order = np.argsort(time_ns, kind="stable")
            self.course = CodeCourse(
                time_ns=time_ns[order], code=np.array(self.codes, np.int64)[order]
            )
        return self.course


class CodeCourses:
    """The courses of all sources of one recording. Not locked: its owner is."""

    def __init__(self) -> None:
        self._events: Sequence[Event] = ()
        self._growing: dict[CodeSource, _GrowingCourse] = {}
        self._read: dict[CodeSource, tuple[int, CodeCourse]] = {}
        self._newest: dict[str, deque[int]] = {}
        """Joint -> the times of its newest events."""
        self._held_back: dict[str, list[tuple[int, int]]] = {}

    def fold_events(self, events: Sequence[Event]) -> Mapping[CodeSource, CodeCourse]:
        """Return the courses as of all events; those folded before are not looked at again."""
        known = self._events
        if events is not known:
            # The reader keeps the same event objects, so that this comparison costs little.
            if events[: len(known)] != known:
                known, self._growing, self._newest, self._held_back = (), {}, {}, {}
            for event in events[len(known) :]:
                self._fold(event)
            self._events = events
        return {source: growing.as_arrays() for source, growing in self._growing.items()}

    def held_back_spans(self, joint: str) -> list[tuple[int, int]]:
        """Return the spans in which events of a joint were held back, as they were summed up."""
        return self._held_back.get(joint, [])

    def holding_back_ns(self, joint: str) -> int | None:
        """Return since when events of a joint may be held back by now; None: they are not."""
        newest = self._newest.get(joint)
        if newest is None or len(newest) < MOST_A_SPAN or newest[-1] - newest[0] >= SPAN_NS:
            return None
        return newest[-1]

    def read_once(
        self, source: CodeSource, rows: int, read: Callable[[CodeSource], CodeCourse]
    ) -> CodeCourse:
        """Return what `read` returns, read again only where there are other than `rows` rows."""
        known = self._read.get(source)
        if known is None or known[0] != rows:
            known = self._read[source] = rows, read(source)
        return known[1]

    def _fold(self, event: Event) -> None:
        if event.kind not in CODE_KINDS or not event.joint:
            return
        newest = self._newest.setdefault(event.joint, deque(maxlen=MOST_A_SPAN))
        if not (event.channel or event.frame):
            # The sum of those that were held back since the newest of the others.
            if newest:
                self._held_back.setdefault(event.joint, []).append((newest[-1], event.time_ns))
                newest.clear()
            return
        newest.append(event.time_ns)
        frame = "" if event.channel else event.frame
        source = CodeSource(joint=event.joint, channel=event.channel, frame=frame)
        growing = self._growing.setdefault(source, _GrowingCourse())
        growing.times.append(event.time_ns)
        growing.codes.append(event.whole_value)
        growing.course = None


def merged_course(parts: Sequence[CodeCourse]) -> CodeCourse:
    """Return several courses of one source as one."""
    time_ns = np.concatenate([part.time_ns for part in parts])
    order = np.argsort(time_ns, kind="stable")
    code = np.concatenate([part.code for part in parts])
    return course_of_readings(time_ns[order], code[order])


def course_of_readings(time_ns: Ints, value: Ints) -> CodeCourse:
    """Return the course of n readings of a code, in order of time: those that differ."""
    is_new = np.ones(len(value), bool)
    is_new[1:] = value[1:] != value[:-1]
    return CodeCourse(time_ns=time_ns[is_new], code=value[is_new])
