"""What the finder of a layout is given: frames, marks of the steps, typed numbers. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints

__all__ = [
    "Bytes",
    "FrameGroup",
    "Marks",
    "Span",
    "Traffic",
    "TypedNumbers",
    "frames_in",
    "group_frames",
]

Bytes = NDArray[np.uint8]
Span = tuple[float, float]
"""Start and end in seconds, on the clock of the frames."""
MAX_PAYLOAD: Final = 64


@dataclass(frozen=True, eq=False)
class Traffic:
    """The frames of a bus, in any order of time."""

    time_s: Floats
    identifier: Ints
    extended: NDArray[np.bool_]
    data: Sequence[bytes] | tuple[Bytes, Ints]
    """Payloads one by one; or uint8[n, 64] padded with anything, and how many bytes count."""

    def padded_payloads(self) -> tuple[Bytes, Ints]:
        """Return payloads as uint8[n, width], zeros behind the last byte, and their lengths.

        Raises
        ------
        ValueError
            Where the arrays are not of one length, or a payload is longer than 64 bytes.
        """
        if isinstance(self.data, tuple) and len(self.data) == 2 and _is_padded(self.data):
            padded = np.array(self.data[0], dtype=np.uint8)
            length = np.asarray(self.data[1], dtype=np.int64)
        else:
            length = np.array([len(payload) for payload in self.data], dtype=np.int64)
            width = int(length.max(initial=0))
            joined = b"".join(bytes(payload).ljust(width, b"\0") for payload in self.data)
            padded = np.frombuffer(joined, dtype=np.uint8).reshape(len(length), width).copy()
        counts = {len(self.time_s), len(self.identifier), len(self.extended), len(padded)}
        if counts != {len(length)}:
            raise ValueError(
                f"found {sorted(counts | {len(length)})} times, identifiers, flags and payloads, "
                "expected as many of each."
            )
        if int(length.max(initial=0)) > min(MAX_PAYLOAD, padded.shape[1]):
            raise ValueError(
                f"found a payload of {int(length.max())} bytes, expected at most "
                f"{min(MAX_PAYLOAD, padded.shape[1])}."
            )
        padded[np.arange(padded.shape[1]) >= length[:, None]] = 0
        return padded, length


def _is_padded(data: tuple[object, ...]) -> bool:
    return all(isinstance(part, np.ndarray) for part in data)


@dataclass(frozen=True)
class Marks:
    """When each step was done; None for a step that was not."""

    rest: Span | None = None
    turn: Span | None = None
    load: Span | None = None
    warm: Span | None = None


@dataclass(frozen=True)
class TypedNumbers:
    """What the person typed; None for what is not known."""

    ambient_degC: float | None = None  # noqa: N815 - the unit as the trade writes it
    supply_V: float | None = None  # noqa: N815
    mass_kg: float | None = None
    arm_m: float | None = None
    positive: int = 1
    """+1 where the first way of the turn counts as positive, else -1."""


@dataclass(frozen=True, eq=False)
class FrameGroup:
    """Frames of one identifier and one length, in order of time."""

    identifier: int
    extended: bool
    time_s: Floats
    payload: Bytes
    """uint8[n, length]."""


def group_frames(traffic: Traffic) -> tuple[FrameGroup, ...]:
    """Return the frames by identifier and length: of another length, a frame is another kind.

    Raises
    ------
    ValueError
        See `Traffic.padded_payloads`.
    """
    padded, length = traffic.padded_payloads()
    extended = np.asarray(traffic.extended, dtype=bool)
    identifier = np.asarray(traffic.identifier, dtype=np.int64)
    key = (identifier << 8) | (extended.astype(np.int64) << 7) | length
    order = np.lexsort((traffic.time_s, key))
    borders = np.flatnonzero(np.diff(key[order])) + 1
    return tuple(
        FrameGroup(
            identifier=int(identifier[rows[0]]),
            extended=bool(extended[rows[0]]),
            time_s=np.asarray(traffic.time_s, dtype=np.float64)[rows],
            payload=padded[rows, : int(length[rows[0]])],
        )
        for rows in np.split(order, borders)
        if len(rows)
    )


def frames_in(time_s: Floats, span: Span | None) -> slice:
    """Return the rows within a span of time; none where there is no span."""
    if span is None:
        return slice(0, 0)
    start, end = np.searchsorted(time_s, span)
    return slice(int(start), int(end))
