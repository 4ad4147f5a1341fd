"""Asking joints that only answer when asked; off unless the bench file says `send = true`.

Listens first: an identifier that somebody else already sends is refused, since two masters collide
while a joint moves; one that appears later ends the asking. What was due first is asked first, and
all of it together, with the answers that it causes, takes no more of the bus than
`bus.asking_share`. Where no bit rate is known there is no such bound. Time comes in as an argument.
"""

import heapq
from dataclasses import dataclass
from typing import Final

import can
import numpy as np
from numpy.typing import NDArray

from logger.bus.echo_guard import Echoes
from logger.bus.rate_limiter import WINDOW_S, Share
from logger.bus.stop_sender import Stops, stops_of
from logger.joint.batch import CLASSIC_BYTES, ERROR, EXTENDED, SENT, FrameBatch
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.layout import Layout, Request
from logger.joint.bench.stop_frame import StopFrame
from logger.traffic.frame_length import frame_bits, most_bits
from logger.traffic.response_tracker import is_echo

__all__ = ["LISTEN_S", "Ask", "Asker", "bits_of"]

LISTEN_S: Final = 1.0
"""How long the bus is only listened to before the first request."""
MOST_AT_ONCE: Final = 16
"""Requests between two looks at what came."""
PHASE: Final = 0.618034
"""Of a period, from one request to the next: any number of them is spread about evenly."""
LONGEST_PHASE_S: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A request that is to be sent now."""

    number: int
    """Its place among the requests of the bus, in the order of joints and layouts."""
    message: can.Message
    bits: int
    """What it takes on the wire."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Planned:
    ask: Ask
    key: int
    period_s: float
    cost_bits: int
    """With the answers that it causes, at most."""


class Asker:
    """The requests of one bus of a bench, each in its own rhythm."""

    def __init__(
        self, bench: Bench, *, now_s: float, bus: int = 0, send_stop: bool = False
    ) -> None:
        """Plan the requests and, with `send_stop`, stop frames; with `send = false` none at all."""
        self.stops = Stops({})
        """The stop frames that may be ordered here."""
        self._planned: tuple[_Planned, ...] = ()
        self._due: list[tuple[float, int]] = []
        self._share: Share | None = None
        self._echoes: dict[int, Echoes] = {}
        self._own: NDArray[np.uint64] = np.empty(0, np.uint64)
        self._watching = False
        self.slower = 1.0
        """By so much every period is longer than its layout says."""
        self.said: tuple[tuple[str, str], ...] = ()
        """(kind, sentence) of what is to be told at the start."""
        settings = bench.buses[bus]
        if not settings.send:
            return
        joints = [joint for joint in bench.joints if bench.bus_of(joint) == bus]
        wanted = [
            (joint, bench.layout_of(joint), request)
            for joint in joints
            for request in bench.layout_of(joint).request
        ]
        planned = [_planned(number, *one) for number, one in enumerate(wanted)]
        ours: list[tuple[int, JointSettings, Layout, Request | StopFrame]] = [
            (one.key, *of) for one, of in zip(planned, wanted, strict=True)
        ]
        if send_stop:
            self.stops = stops_of(bench, bus=bus)
            for name, (message, stop) in self.stops.frames.items():
                joint = bench.joint(name)
                ours.append((_key(message), joint, bench.layout_of(joint), stop))
        self._echoes = {
            key: Echoes()
            for key, joint, layout, sent in ours
            if any(is_echo(joint, frame, sent) for frame in layout.frame)
        }
        self._own = np.unique(np.array([key for key, *_ in ours], np.uint64))
        self._watching = bool(ours)
        if planned and settings.bitrate is not None:
            self._fit(planned, settings.bitrate, settings.asking_share, settings.name)
        self._planned = tuple(planned)
        # They do not leave in a burst, nor come back in one.
        self._due = [
            (
                now_s
                + LISTEN_S
                + min(one.period_s * self.slower, LONGEST_PHASE_S) * (PHASE * number % 1.0),
                number,
            )
            for number, one in enumerate(planned)
        ]
        heapq.heapify(self._due)

    def _fit(self, planned: list[_Planned], bitrate: int, share: float, name: str) -> None:
        """Keep to the share: evenly slower where all of it does not fit."""
        allowed = share * bitrate
        largest = max(one.cost_bits for one in planned)
        self._share = Share(bits_per_s=allowed, largest_bits=largest)
        wanted = sum(one.cost_bits / one.period_s for one in planned)
        if wanted <= allowed:
            return
        # A window is hardly ever filled to the last bit: so much less is planned for.
        self.slower = wanted / max(allowed - largest / WINDOW_S, allowed / 2)
        fastest_s = min(one.period_s for one in planned)
        text = (
            f"The bus {name}: all {len(planned)} requests with their answers would take "
            f"{wanted / bitrate:.1%} of {bitrate} bit/s, and {share:.1%} is allowed "
            f"(bus.asking_share). Each is asked {self.slower:.2f} times slower: the fastest every "
            f"{fastest_s * self.slower * 1e3:.4g} ms in place of {fastest_s * 1e3:.4g} ms."
        )
        self.said = (("asked slower", text),)

    def __bool__(self) -> bool:
        """Return whether anything may be sent, so that others' identifiers matter."""
        return self._watching

    def due(self, now_s: float) -> list[Ask]:
        """Return what is to be sent now, what was due first at first.

        What was missed is not made up for; where there is no room, the rest waits in its order.
        """
        asks: list[Ask] = []
        while self._due and self._due[0][0] <= now_s and len(asks) < MOST_AT_ONCE:
            due_s, number = self._due[0]
            one = self._planned[number]
            if self._share is not None and not self._share.grant(one.cost_bits, now_s=now_s):
                break
            period_s = one.period_s * self.slower
            missed = int((now_s - due_s) / period_s)
            heapq.heapreplace(self._due, (due_s + (missed + 1) * period_s, number))
            asks.append(one.ask)
            self.note(one.ask.message, now_s=now_s)
        return asks

    def note(self, message: can.Message, *, now_s: float) -> None:
        """Take note of a frame that leaves: its answer may look the same."""
        echoes = self._echoes.get(_key(message))
        if echoes is not None:
            echoes.asked(now_s)

    def next_s(self, now_s: float) -> float:
        """Return in how many seconds the next request can be sent; at most 1.

        Stop frames have a rhythm of their own.
        """
        if not self._due:
            return 1.0
        due_s, number = self._due[0]
        wait_s = max(due_s - now_s, 0.0)
        if self._share is not None:
            wait_s = max(wait_s, self._share.free_s(self._planned[number].cost_bits, now_s=now_s))
        return min(wait_s, 1.0)

    def heard(self, frames: FrameBatch, *, now_s: float) -> str | None:
        """Return why asking must end: somebody else sends an identifier that is ours.

        Where an answer looks like its request, only a number of such frames that was not asked for
        tells (`echoes`); before the first request any of them does.
        """
        if not self._watching or len(frames) == 0:
            return None
        keys = frames.identifier.astype(np.uint64) | (
            ((frames.flags & EXTENDED) != 0).astype(np.uint64) << np.uint64(32)
        )
        # An error frame's identifier says what went wrong, not who spoke.
        foreign = np.isin(keys, self._own) & ((frames.flags & (SENT | ERROR)) == 0)
        if not foreign.any():
            return None
        for key, count in zip(*np.unique(keys[foreign], return_counts=True), strict=True):
            echoes = self._echoes.get(int(key))
            if echoes is None or echoes.heard(int(count), now_s=now_s):
                return (
                    f"The identifier 0x{int(key) & 0x1FFFFFFF:03X}, which this bench's requests or "
                    "stop frames use, is already sent by somebody else on the bus. Two masters "
                    "collide while a joint moves: nothing is asked. Stop the other controller, or "
                    "set bus.send = false and only listen."
                )
        return None

    def stop(self, *, now_ns: int = 0) -> None:
        """Ask nothing any more, and send no stop frame either."""
        self._due = []
        self.stops.disarm(now_ns=now_ns)
        self._watching = False


def _planned(number: int, joint: JointSettings, layout: Layout, request: Request) -> _Planned:
    identifier = identifier_for(
        request.identifier, joint.node, extended=request.extended, where=joint.name
    )
    data = bytes.fromhex(request.data)
    message = can.Message(
        arbitration_id=identifier, is_extended_id=request.extended, data=data, is_rx=False
    )
    answers = [layout.frame[place] for place in layout.answers_to(request)]
    bits = bits_of(message)
    return _Planned(
        ask=Ask(number=number, message=message, bits=bits),
        key=_key(message),
        period_s=request.period_s,
        # A layout says how long a frame is at least; what its values do to its stuff bits nobody
        # knows before.
        cost_bits=bits
        + sum(
            most_bits(max(frame.length, CLASSIC_BYTES), extended=frame.extended)
            for frame in answers
        ),
    )


def bits_of(message: can.Message) -> int:
    """Return what a data frame takes on the wire, in bit times."""
    flags = EXTENDED if message.is_extended_id else 0
    batch = FrameBatch.of([(0, message.arbitration_id, flags, bytes(message.data))])
    return int(frame_bits(batch)[0])


def _key(message: can.Message) -> int:
    return message.arbitration_id | int(message.is_extended_id) << 32
