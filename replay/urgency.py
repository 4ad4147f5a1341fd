"""Which joints a person should look at first.

Worst first: tripped, warned, silent, without a known temperature, and of those that are well the
one that is nearest in time to its next limit, then the hottest. An order that is shown is kept
calm: between two sortings a joint changes its place only when its state changes.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

from logger.limits.lifecycle import Alert
from replay.recording import Recording
from replay.statistics import span_statistics

__all__ = [
    "SORT_EVERY_S",
    "JointOrder",
    "JointState",
    "JointUrgency",
    "next_order",
    "recorded_urgencies",
    "sort_by_urgency",
]

SORT_EVERY_S: Final = 10.0
"""An order that is shown is sorted anew no more often."""


class JointState(IntEnum):
    """The state of a joint, the worst first."""

    TRIP = 0
    WARNING = 1
    SILENT = 2
    HEAT_UNKNOWN = 3
    """Nobody reports its temperature."""
    NORMAL = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class JointUrgency:
    """What decides on the place of a joint."""

    joint: str
    state: JointState
    is_faulty: bool = False
    """Whether its drive reports a fault: of joints in the same state it comes first."""
    limit_in_s: float = math.inf
    """How long until its temperature reaches its next limit; inf for never, or nobody knows."""
    temperature_degC: float = math.nan  # noqa: N815 - a unit

    @property
    def is_well(self) -> bool:
        """Whether nothing has to be said of it."""
        return self.state == JointState.NORMAL and not self.is_faulty

    @property
    def state_rank(self) -> tuple[int, bool]:
        """The part of `rank` that moves a joint at once."""
        return self.state, not self.is_faulty

    @property
    def rank(self) -> tuple[float, ...]:
        """What is compared: the smaller, the more urgent."""
        heat = -math.inf if math.isnan(self.temperature_degC) else self.temperature_degC
        return (*self.state_rank, self.limit_in_s, -heat)


def sort_by_urgency(urgencies: Sequence[JointUrgency]) -> tuple[JointUrgency, ...]:
    """Return joints the most urgent first; equal ones stay in their order."""
    return tuple(sorted(urgencies, key=lambda one: one.rank))


@dataclass(frozen=True, slots=True, kw_only=True)
class JointOrder:
    """Joints in an order that is shown, the most urgent first."""

    urgencies: tuple[JointUrgency, ...] = ()
    sorted_s: float = -math.inf
    """When it was sorted last, on a steady clock."""

    @property
    def joints(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(one.joint for one in self.urgencies)


def next_order(before: JointOrder, urgencies: Sequence[JointUrgency], at_s: float) -> JointOrder:
    """Return the order in which joints are shown from now on.

    It is sorted anew if that was not done for `SORT_EVERY_S`, or if other joints are there. Between
    two sortings only a joint whose state is another one is moved: before the first of those that
    stay and are less urgent.

    Parameters
    ----------
    before
        The order so far, of which the state and the place of each joint count.
    urgencies
        What is so at present, in any order; of equally urgent joints the first so far stays first.
    at_s
        Now, on a clock that is never set.
    """
    now = {one.joint: one for one in urgencies}
    known = [one for one in before.urgencies if one.joint in now]
    if len(known) != len(now) or len(known) != len(before.urgencies):
        return JointOrder(urgencies=sort_by_urgency(urgencies), sorted_s=at_s)
    if at_s - before.sorted_s >= SORT_EVERY_S:
        so_far = [now[one.joint] for one in known]
        return JointOrder(urgencies=sort_by_urgency(so_far), sorted_s=at_s)
    shown = [now[one.joint] for one in known if one.state_rank == now[one.joint].state_rank]
    moved = [now[one.joint] for one in known if one.state_rank != now[one.joint].state_rank]
    for one in sort_by_urgency(moved):
        place = next((i for i, other in enumerate(shown) if other.rank > one.rank), len(shown))
        shown.insert(place, one)
    return JointOrder(urgencies=tuple(shown), sorted_s=before.sorted_s)


def recorded_urgencies(
    recording: Recording, alerts: Sequence[Alert], temperatures: Mapping[str, str | None]
) -> tuple[JointUrgency, ...]:
    """Return how urgent each joint of a recording was, instruments left out.

    A joint counts as tripped or warned if it ever was, and by the highest value of its main
    temperature; nothing is foretold of what is over.

    Parameters
    ----------
    alerts
        What was raised over the recording, by the limits that are shown.
    temperatures
        Joint -> the channel that represents its temperature, None where it has none.
    """
    instruments = set(recording.bench.sensors)
    return tuple(
        _recorded_urgency(
            recording,
            joint,
            temperatures.get(joint),
            {alert.severity for alert in alerts if alert.joint == joint},
        )
        for joint in recording.joints
        if joint not in instruments
    )


def _recorded_urgency(
    recording: Recording, joint: str, channel: str | None, severities: Collection[str]
) -> JointUrgency:
    start_ns, end_ns = recording.start_ns, recording.end_ns
    hottest = (
        math.nan
        if channel is None
        else span_statistics(recording, joint, channel, start_ns, end_ns).maximum
    )
    if "trip" in severities:
        state = JointState.TRIP
    elif severities:
        state = JointState.WARNING
    elif not recording.reading_count(joint):
        state = JointState.SILENT
    elif math.isnan(hottest):
        state = JointState.HEAT_UNKNOWN
    else:
        state = JointState.NORMAL
    return JointUrgency(joint=joint, state=state, temperature_degC=hottest)
