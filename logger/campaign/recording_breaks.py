"""Breaks in a recording: spans of which readings are missing, or may be. Pure.

A value holds until the next one that is late. Over a break it holds for nobody, however short the
break is: what came meanwhile was not recorded.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from logger.arrays import TIME_MAX_NS, Ints

__all__ = ["RecordingBreaks"]


def _no_times() -> Ints:
    return np.empty(0, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingBreaks:
    """Breaks of one joint, in order of their ends; arrays of shape (n,). The default is none."""

    end_ns: Ints = field(default_factory=_no_times)
    start_ns: Ints = field(default_factory=_no_times)
    """Where each begins, or one behind it that lies over it."""

    @classmethod
    def of(cls, spans_ns: Iterable[tuple[int, int]]) -> "RecordingBreaks":
        """Return breaks that begin and end at these instants, in any order."""
        spans = np.array(sorted(spans_ns, key=lambda span: span[1]), np.int64).reshape(-1, 2)
        earliest = np.minimum.accumulate(spans[::-1, 0])[::-1]
        return cls(start_ns=earliest, end_ns=spans[:, 1])

    def __len__(self) -> int:
        return len(self.end_ns)

    def joined(self, more: "RecordingBreaks") -> "RecordingBreaks":
        """Return these breaks and more of them."""
        if not len(more):
            return self
        spans = [(int(one), int(other)) for one, other in zip(*self._spans(more), strict=True)]
        return RecordingBreaks.of(spans)

    def _spans(self, more: "RecordingBreaks") -> tuple[Ints, Ints]:
        return (
            np.concatenate([self.start_ns, more.start_ns]),
            np.concatenate([self.end_ns, more.end_ns]),
        )

    def after(self, time_ns: int) -> "RecordingBreaks":
        """Return those that end later than an instant."""
        first = int(np.searchsorted(self.end_ns, time_ns, "right"))
        if first == 0:
            return self
        return RecordingBreaks(start_ns=self.start_ns[first:], end_ns=self.end_ns[first:])

    def held_until(self, time_ns: Ints) -> Ints:
        """Return until when values that were read at these instants may hold, shape (n,).

        Until the break that comes next begins, for ever where none does; not at all within one.
        """
        begins = np.append(self.start_ns, TIME_MAX_NS)
        return np.asarray(begins[np.searchsorted(self.end_ns, time_ns, "right")])
