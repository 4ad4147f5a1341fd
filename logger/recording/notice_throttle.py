"""What joints say in words, and no more of it than a person can read.

A drive with a loose connector can send hundreds of emergency messages a second. Of each joint the
first few of any ten seconds are told; the rest are counted and told in one, once the ten
seconds are over. The frames themselves are all stored.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from logger.joint.decode.text_codes import Notice

__all__ = ["Outspoken"]

SPAN_NS: Final = 10_000_000_000
MOST: Final = 20
"""Events of one joint in so long."""


@dataclass(slots=True)
class _Joint:
    since_ns: int
    told: int = 0
    untold: int = 0


class Outspoken:
    """Keeps the count for each joint of a recording."""

    def __init__(self) -> None:
        self._joints: dict[str, _Joint] = {}

    def heard(self, notices: Iterable[Notice]) -> list[Notice]:
        """Return what is to be told of notices, which come in order of time."""
        said: list[Notice] = []
        for notice in notices:
            joint = self._joints.setdefault(notice.joint, _Joint(notice.time_ns))
            if notice.time_ns - joint.since_ns >= SPAN_NS:
                said += self._rest(notice.joint, notice.time_ns)
                self._joints[notice.joint] = joint = _Joint(notice.time_ns)
            if joint.told >= MOST:
                joint.untold += 1
                continue
            joint.told += 1
            said.append(notice)
        return said

    def rest(self, now_ns: int, *, ended: bool = False) -> list[Notice]:
        """Return what is left to tell of joints whose ten seconds are over; `ended`: of all."""
        return [
            said
            for name, joint in self._joints.items()
            if ended or now_ns - joint.since_ns >= SPAN_NS
            for said in self._rest(name, now_ns)
        ]

    def _rest(self, name: str, time_ns: int) -> list[Notice]:
        joint = self._joints[name]
        count, joint.untold = joint.untold, 0
        if not count:
            return []
        messages = "message was" if count == 1 else "messages were"
        return [
            Notice(
                kind="state",
                time_ns=time_ns,
                joint=name,
                channel="",
                value=float(count),
                text=f"{name}: {count} more {messages} not told one by one; all frames are stored.",
            )
        ]
