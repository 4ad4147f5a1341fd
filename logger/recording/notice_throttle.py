"""Limits the text events of a joint to as many as a person can read.

A drive with a loose connector can send hundreds of emergency messages a second. The first few of a
joint in ten seconds pass; the rest are counted, and one event reports their number once the ten
seconds are over. The frames themselves are all stored. Pure but for the counts that it keeps.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from logger.event_kind import EventKind
from logger.joint.decode.text_codes import Notice

__all__ = ["NoticeThrottle"]

THROTTLE_SPAN_NS: Final = 10_000_000_000
MAX_NOTICES_PER_SPAN: Final = 20
"""Text events of one joint that pass within `THROTTLE_SPAN_NS`."""


@dataclass(slots=True)
class _JointCount:
    since_ns: int
    emitted: int = 0
    suppressed: int = 0


class NoticeThrottle:
    """Counts the notices of each joint of a recording, and holds back those that are too many."""

    def __init__(self, labels: Mapping[str, str] = MappingProxyType({})) -> None:
        """Begin; `labels`: joint -> what people call it."""
        self._labels = labels
        self._joints: dict[str, _JointCount] = {}

    def filter_notices(self, notices: Iterable[Notice]) -> list[Notice]:
        """Return those of `notices`, given in order of time, that become events now."""
        passed: list[Notice] = []
        for notice in notices:
            joint = self._joints.setdefault(notice.joint, _JointCount(notice.time_ns))
            if notice.time_ns - joint.since_ns >= THROTTLE_SPAN_NS:
                passed += self._summary_of(notice.joint, notice.time_ns)
                self._joints[notice.joint] = joint = _JointCount(notice.time_ns)
            if joint.emitted >= MAX_NOTICES_PER_SPAN:
                joint.suppressed += 1
                continue
            joint.emitted += 1
            passed.append(notice)
        return passed

    def take_summaries(self, now_ns: int, *, is_end: bool = False) -> list[Notice]:
        """Return one summary for each joint with suppressed notices whose ten seconds are over.

        `is_end`: of all joints, whether their ten seconds are over or not.
        """
        return [
            summaries
            for name, joint in self._joints.items()
            if is_end or now_ns - joint.since_ns >= THROTTLE_SPAN_NS
            for summaries in self._summary_of(name, now_ns)
        ]

    def _summary_of(self, name: str, time_ns: int) -> list[Notice]:
        joint = self._joints[name]
        count, joint.suppressed = joint.suppressed, 0
        if not count:
            return []
        messages = "message was" if count == 1 else "messages were"
        return [
            Notice(
                kind=EventKind.STATE,
                time_ns=time_ns,
                joint=name,
                channel="",
                value=float(count),
                frame="",
                text=f"{self._labels.get(name, name)}: {count} more {messages} not listed one by "
                "one; all frames are stored.",
            )
        ]
