"""Spans whose raw frames a keep rule has let go, as recording.json states them. Pure.

They are stated before their files go, so that a crash in between leaves nothing unsaid: what is
stated and still there goes with the next look.
"""

from collections.abc import Iterable, Sequence
from typing import Annotated

from pydantic import Field

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.settings_file import Settings

__all__ = ["FramesLetGo", "are_let_go", "frames_lost_in", "joined_spans"]

_Row = Annotated[int, Field(ge=0, le=2**53)]
_TimeNs = Annotated[int, Field(ge=TIME_MIN_NS, le=TIME_MAX_NS)]


class FramesLetGo(Settings):
    """A span whose raw frames were let go; its readings, events and buckets are still there."""

    from_ns: _TimeNs
    to_ns: _TimeNs
    """Time of the last of them."""
    first_row: _Row = 0
    end_row: _Row = 0
    """Their rows [first_row, end_row) in the stream; none in a cut or another decoding, whose
    frames have numbers of their own."""

    @property
    def frames(self) -> int:
        """How many they were, as far as their rows are stated."""
        return self.end_row - self.first_row


def joined_spans(spans: Iterable[FramesLetGo]) -> tuple[FramesLetGo, ...]:
    """Return spans in order, those joined whose rows follow each other or overlap."""
    joined: list[FramesLetGo] = []
    for span in sorted(spans, key=lambda one: (one.from_ns, one.first_row)):
        last = joined[-1] if joined else None
        if last is None or not span.frames or span.first_row > last.end_row:
            joined.append(span)
            continue
        joined[-1] = FramesLetGo(
            from_ns=last.from_ns,
            to_ns=max(last.to_ns, span.to_ns),
            first_row=last.first_row,
            end_row=max(last.end_row, span.end_row),
        )
    return tuple(joined)


def are_let_go(spans: Iterable[FramesLetGo], first_row: int, end_row: int) -> bool:
    """Return whether rows [first_row, end_row) are all within one of the spans."""
    return any(one.first_row <= first_row and end_row <= one.end_row for one in spans)


def frames_lost_in(
    spans: Sequence[FramesLetGo], start_ns: int, end_ns: int
) -> tuple[FramesLetGo, ...]:
    """Return those that touch [start_ns, end_ns), cut to it, for a recording of other numbers."""
    return tuple(
        FramesLetGo(from_ns=max(one.from_ns, start_ns), to_ns=min(one.to_ns, end_ns - 1))
        for one in spans
        if one.from_ns < end_ns and one.to_ns >= start_ns
    )
