"""Asking joints that only answer when asked; off unless the bench file says `send = true`.

Listens first: an identifier that somebody else already sends is refused, since two masters collide
while a joint moves; one that appears later ends the asking. Time comes in as an argument.
"""

from dataclasses import dataclass
from typing import Final

import can
import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, SENT, FrameBatch
from logger.joint.bench import Bench
from logger.joint.identifiers import identifier_for

__all__ = ["LISTEN_S", "Asker"]

LISTEN_S: Final = 1.0
"""How long the bus is only listened to before the first request."""


@dataclass(slots=True)
class _Request:
    joint: str
    message: can.Message
    period_s: float
    due_s: float


class Asker:
    """The requests of a bench, each in its own rhythm."""

    def __init__(self, bench: Bench, *, now_s: float, bus: int = 0) -> None:
        """Plan the requests of one bus of the bench; with `send = false` there are none."""
        self._requests: list[_Request] = []
        self._own: NDArray[np.uint64] = np.empty(0, np.uint64)
        if not bench.buses[bus].send:
            return
        start_s = now_s + LISTEN_S
        for joint in bench.joints:
            if bench.bus_of(joint) != bus:
                continue
            for request in bench.layout_of(joint).request:
                number = identifier_for(
                    request.identifier, joint.node, extended=request.extended, where=joint.name
                )
                message = can.Message(
                    arbitration_id=number,
                    is_extended_id=request.extended,
                    data=bytes.fromhex(request.data),
                    is_rx=False,
                )
                # Spread over the shortest period, so that they do not leave in one burst.
                phase_s = 0.0013 * len(self._requests)
                self._requests.append(
                    _Request(joint.name, message, request.period_s, start_s + phase_s)
                )
        self._own = np.unique(
            np.array(
                [
                    _key(request.message.arbitration_id, request.message.is_extended_id)
                    for request in self._requests
                ],
                np.uint64,
            )
        )

    def __bool__(self) -> bool:
        return bool(self._requests)

    def due(self, now_s: float) -> list[can.Message]:
        """Return what is to be sent now; what was missed is not made up for."""
        messages = []
        for request in self._requests:
            if now_s >= request.due_s:
                messages.append(request.message)
                missed = int((now_s - request.due_s) / request.period_s)
                request.due_s += (missed + 1) * request.period_s
        return messages

    def next_s(self, now_s: float) -> float:
        """Return in how many seconds the next request is due; at most 1."""
        return max(min((request.due_s for request in self._requests), default=now_s + 1) - now_s, 0)

    def heard(self, frames: FrameBatch) -> str | None:
        """Return why asking must end: somebody else sends an identifier that is ours."""
        if not self._requests or len(frames) == 0:
            return None
        keys = frames.identifier.astype(np.uint64) | (
            ((frames.flags & EXTENDED) != 0).astype(np.uint64) << np.uint64(32)
        )
        # An error frame's identifier says what went wrong, not who spoke.
        foreign = np.isin(keys, self._own) & ((frames.flags & (SENT | ERROR)) == 0)
        if not foreign.any():
            return None
        number = int(frames.identifier[np.flatnonzero(foreign)[0]])
        return (
            f"The identifier 0x{number:03X}, which this bench's requests use, is already sent by "
            "somebody else on the bus. Two masters collide while a joint moves: nothing is asked. "
            "Stop the other controller, or set bus.send = false and only listen."
        )

    def stop(self) -> None:
        """Ask nothing any more."""
        self._requests = []


def _key(number: int, extended: bool) -> int:  # noqa: FBT001 - a bit of the key
    return number | (int(extended) << 32)
