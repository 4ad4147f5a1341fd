"""Stop frames on their way to a bus: ordered by the writing thread, sent by the receiving one.

`order_stop` and `confirm_stopped` may be called from any thread; everything else only from the one
that owns the bus. The result of an order is a report that the caller fetches. A convenience, no
safety function. Time comes in as an argument.
"""

import queue
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import can

from logger.errors import InputError
from logger.joint.bench.bench import Bench, BusSettings
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.stop_frame import StopFrame

__all__ = [
    "LISTEN_ONLY_OPTIONS",
    "STOP_GIVE_UP_S",
    "StopReport",
    "StopSender",
    "check_can_stop",
    "stop_sender_for",
]

STOP_GIVE_UP_S: Final = 1.0
"""How long a frame is tried that the bus does not accept, by default."""
LISTEN_ONLY_OPTIONS: Final = frozenset({"listen_only", "listenonly", "silent"})
"""Options of python-can's interfaces with which an adapter sends nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopReport:
    """The result of an order: `sent` after the first frame, then `over` or `unsent`."""

    joint: str
    kind: Literal["sent", "over", "unsent"]
    time_ns: int
    """On the recording's axis."""
    count: int
    """Frames that were sent so far."""


@dataclass(slots=True, kw_only=True)
class _RunningStop:
    due_s: float
    give_up_s: float
    count: int = 0


class StopSender:
    """The stop frames of one bus."""

    def __init__(self, frames: Mapping[str, tuple[can.Message, StopFrame]]) -> None:
        """Begin with nothing ordered; `frames` has the joints of the bus that have one."""
        self.frames: Final = dict(frames)
        self.reports: Final[queue.SimpleQueue[StopReport]] = queue.SimpleQueue()
        self._orders: Final[queue.SimpleQueue[tuple[str, bool]]] = queue.SimpleQueue()
        self._running: dict[str, _RunningStop] = {}
        self._is_armed = True

    def __bool__(self) -> bool:
        """Return whether there is any joint to stop here."""
        return bool(self.frames)

    def order_stop(self, joint: str) -> None:
        """Send the stop frame of a joint, as often as its settings require. From any thread."""
        self._orders.put((joint, True))

    def confirm_stopped(self, joint: str) -> None:
        """Send no more to a joint: it has stopped. From any thread."""
        self._orders.put((joint, False))

    def due_stops(self, now_s: float, *, now_ns: int) -> list[tuple[str, can.Message]]:
        """Return the joints whose frame is to be sent now, with the frame."""
        while not self._orders.empty():
            joint, is_begin = self._orders.get()
            if is_begin and self._is_armed:
                frame = self.frames[joint][1]
                give_up_after_s = STOP_GIVE_UP_S if frame.until is None else frame.until.within_s
                self._running[joint] = _RunningStop(due_s=now_s, give_up_s=now_s + give_up_after_s)
            elif is_begin:
                self._add_report(joint, "unsent", now_ns, 0)
            elif joint in self._running:
                self._add_report(joint, "over", now_ns, self._running.pop(joint).count)
        return [
            (joint, self.frames[joint][0])
            for joint, running in self._running.items()
            if running.due_s <= now_s
        ]

    def note_attempt(self, joint: str, *, was_sent: bool, now_s: float, now_ns: int) -> None:
        """Note that the bus accepted a frame, or did not."""
        running, frame = self._running[joint], self.frames[joint][1]
        # What was held up is not made up for in a burst.
        running.due_s = max(running.due_s + frame.every_s, now_s)
        if was_sent:
            running.count += 1
            if running.count == 1:
                self._add_report(joint, "sent", now_ns, 1)
        if running.count >= frame.repeat:
            self._add_report(joint, "over", now_ns, running.count)
        elif now_s >= running.give_up_s:
            self._add_report(joint, "over" if running.count else "unsent", now_ns, running.count)
        else:
            return
        del self._running[joint]

    def next_due_s(self, now_s: float) -> float:
        """Return in how many seconds a frame is due; at most 1."""
        return max(
            min((running.due_s for running in self._running.values()), default=now_s + 1) - now_s, 0
        )

    def disarm_stops(self, *, now_ns: int) -> None:
        """Send no more frames: later orders are reported as unsent."""
        self._is_armed = False
        for joint, running in self._running.items():
            self._add_report(joint, "over" if running.count else "unsent", now_ns, running.count)
        self._running = {}

    def _add_report(
        self, joint: str, kind: Literal["sent", "over", "unsent"], time_ns: int, count: int
    ) -> None:
        self.reports.put(StopReport(joint=joint, kind=kind, time_ns=time_ns, count=count))


def stop_sender_for(bench: Bench, *, bus: int) -> StopSender:
    """Return the stop frames of the joints on one bus."""
    frames = {}
    for joint in bench.joints:
        stop = joint.stop
        if stop is not None and bench.bus_of(joint) == bus:
            number = identifier_for(
                stop.identifier, joint.node, extended=stop.extended, where=joint.name
            )
            message = can.Message(
                arbitration_id=number,
                is_extended_id=stop.extended,
                data=bytes.fromhex(stop.data),
                is_rx=False,
            )
            frames[joint.name] = (message, stop)
    return StopSender(frames)


def check_can_stop(bench: Bench, where: str) -> None:
    """Refuse to promise a stop frame that cannot be sent.

    Raises
    ------
    InputError
        No joint has one, or the bus of one that has may send nothing.
    """
    joints_with_stop = [joint for joint in bench.joints if joint.stop is not None]
    if not joints_with_stop:
        raise InputError(
            f"{where}: --send-stop-on-trip: found no [joint.stop] table, expected one for each "
            "joint that is to be stopped."
        )
    for joint in joints_with_stop:
        bus = bench.buses[bench.bus_of(joint)]
        if not bus.send:
            raise InputError(
                f"{where}: --send-stop-on-trip: joint {joint.name!r} has a stop frame, but its bus "
                f"{bus.name!r} has send = false: not one frame leaves. Set bus.send = true, or "
                "leave the option away."
            )
        listen_only_option = _listen_only_option(bus)
        if listen_only_option is not None:
            raise InputError(
                f"{where}: --send-stop-on-trip: joint {joint.name!r} has a stop frame, but the "
                f"adapter of its bus {bus.name!r} only listens (bus.options.{listen_only_option}). "
                "Remove that key, or leave the option away."
            )


def _listen_only_option(bus: BusSettings) -> str | None:
    return next(
        (name for name in bus.options if name in LISTEN_ONLY_OPTIONS and bus.options[name]), None
    )
