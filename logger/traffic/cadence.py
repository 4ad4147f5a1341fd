"""Who talks, and how regularly: each kind of frame with period, jitter and longest absence.

Frames of one identifier that are told apart by their leading bytes count apart: each kind has a
rhythm of its own. Also finds the one frame that is repeated without a pause. Pure and vectorised;
frames of one bus, in order of time.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, REMOTE, FrameBatch
from logger.joint.bench.identifiers import named
from logger.traffic.frame_length import frame_bits

__all__ = ["Kind", "Role", "Talker", "repeated", "talkers"]

Role = Literal["joint", "set-point", "request", "unknown"]
"""What a frame is to the bench: said by a joint, told to it, asked of it, or none of these."""

_SPREAD: Final = 1.4826
"""Median deviation -> standard deviation of a normal distribution."""
_ALIKE: Final = 0.95
_WITHOUT_PAUSE: Final = 0.7
"""Share of the time: an adapter on a slow line does not pass on every frame."""
_UNHEARD_BITS: Final = 14
"""What a frame that nobody acknowledges takes beyond its own length: error flag and delimiter
instead of its end (+6), and 8 bits of waiting in the error-passive state. From memory of ISO
11898-1; the share above is wide enough not to hang on it."""
_FEWEST: Final = 20
"""Frames; fewer may be alike by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of frame that a layout of the bench names."""

    bus: int
    joint: str
    frame: str
    """Its name in the layout."""
    role: Role
    extended: bool
    identifier: int
    mask: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Talker:
    """One identifier, or one kind of frame on it, over the time listened to."""

    identifier: int
    extended: bool
    remote: bool
    role: Role
    joints: tuple[str, ...]
    """Whose identifier it is; several where joints share one and the frame fits none of them."""
    frame: str | None
    """The layout's name for it; None: no frame of a layout fits, so it is not decoded."""
    count: int
    period_s: float | None
    """Median time from one to the next; None for a single one."""
    jitter_s: float | None
    """How far the times between stray from the period: 1.4826 times the median deviation, which is
    the standard deviation where they stray evenly, and is not moved by a few long gaps."""
    jitter_95_s: float | None
    """How far 19 of 20 of the times between stray from the period at most; None for a single one.
    What the robust figure above does not tell: how late a frame may well come."""
    longest_gap_s: float
    """Longest time without one, the beginning and the end of listening included."""
    last_s: float
    """How long before the end of listening the last one came."""

    @property
    def named(self) -> str:
        """The identifier as a layout file writes it."""
        return named(self.identifier, extended=self.extended)


def talkers(
    frames: FrameBatch,
    owner: NDArray[np.int32],
    *,
    kinds: Sequence[Kind],
    start_ns: int,
    end_ns: int,
) -> tuple[Talker, ...]:
    """Return who talks, lowest identifier first; error frames are nobody.

    Parameters
    ----------
    frames
        What one bus gave from `start_ns` to `end_ns`.
    owner
        For each frame its number in `kinds`, -1 for none, shape (n,).
    kinds
        What the bench's layouts name.
    """
    real = (frames.flags & ERROR) == 0
    frames, owner = frames.taken(real), owner[real]
    if len(frames) == 0:
        return ()
    key = frames.identifier.astype(np.int64)
    key |= ((frames.flags & EXTENDED) != 0).astype(np.int64) << 29
    key |= ((frames.flags & REMOTE) != 0).astype(np.int64) << 30
    key |= (owner.astype(np.int64) + 1) << 31
    keys, group, counts = np.unique(key, return_inverse=True, return_counts=True)
    order = np.argsort(group, kind="stable")
    time_ns, group = frames.time_ns[order], group[order]
    first = np.concatenate(([0], np.cumsum(counts)))

    step_ns = np.diff(time_ns)
    within = group[1:] == group[:-1]
    step_ns, step_of = step_ns[within], group[1:][within]
    period_ns = _medians(step_ns.astype(np.float64), step_of, len(keys))
    stray_ns = np.abs(step_ns - period_ns[step_of])
    jitter_ns = _SPREAD * _medians(stray_ns, step_of, len(keys))
    jitter_95_ns = _reached(stray_ns, step_of, len(keys), share=0.95)
    gap_ns = np.maximum(time_ns[first[:-1]] - start_ns, end_ns - time_ns[first[1:] - 1])
    np.maximum.at(gap_ns, step_of, step_ns)
    last_ns = end_ns - time_ns[first[1:] - 1]

    mine = [kind for kind in kinds if kind.bus == frames.bus[0]]
    found = []
    for place, one in enumerate(keys.tolist()):
        number, extended = one & 0x1FFFFFFF, bool(one >> 29 & 1)
        kind = kinds[(one >> 31) - 1] if one >> 31 else None
        alike = [kind] if kind else [here for here in mine if _claims(here, number, extended)]
        found.append(
            Talker(
                identifier=number,
                extended=extended,
                remote=bool(one >> 30 & 1),
                role=alike[0].role if alike else "unknown",
                joints=tuple(dict.fromkeys(claimant.joint for claimant in alike)),
                frame=kind.frame if kind else None,
                count=int(counts[place]),
                period_s=_seconds(period_ns[place]),
                jitter_s=_seconds(jitter_ns[place]),
                jitter_95_s=_seconds(jitter_95_ns[place]),
                longest_gap_s=float(gap_ns[place]) * 1e-9,
                last_s=float(last_ns[place]) * 1e-9,
            )
        )
    return tuple(sorted(found, key=lambda one: (one.extended, one.identifier)))


def repeated(frames: FrameBatch, *, bitrate: int | None) -> tuple[int, bool] | None:
    """Return identifier and "29-bit" of the one frame that is repeated without a pause, or None.

    A sender that is not acknowledged repeats its frame for ever, and nothing else: nearly all
    frames equal the one before, and they leave hardly any room. Not told without a bit rate.
    """
    frames = frames.taken((frames.flags & ERROR) == 0)
    if bitrate is None or len(frames) < _FEWEST:
        return None
    alike = (
        (frames.identifier[1:] == frames.identifier[:-1])
        & (frames.flags[1:] == frames.flags[:-1])
        & (frames.length[1:] == frames.length[:-1])
        & (frames.data[1:] == frames.data[:-1]).all(axis=1)
    )
    span_s = float(frames.time_ns[-1] - frames.time_ns[0]) * 1e-9
    busy_s = float((frame_bits(frames)[1:] + _UNHEARD_BITS).sum()) / bitrate
    if np.count_nonzero(alike) < _ALIKE * len(alike) or busy_s < _WITHOUT_PAUSE * span_s:
        return None
    place = int(alike.argmax())
    return int(frames.identifier[place]), bool(frames.flags[place] & EXTENDED)


def _claims(kind: Kind, number: int, extended: bool) -> bool:  # noqa: FBT001 - part of the number
    return kind.extended == extended and number & kind.mask == kind.identifier


def _medians(
    values: NDArray[np.float64], group: NDArray[np.intp], groups: int
) -> NDArray[np.float64]:
    """Return the median of the values of each group, NaN for a group without any."""
    order = np.lexsort((values, group))
    count = np.bincount(group, minlength=groups)
    first = np.concatenate(([0], np.cumsum(count)))[:-1]
    medians = np.full(groups, np.nan)
    there = count > 0
    if there.any():
        low = values[order[(first + (count - 1) // 2)[there]]]
        high = values[order[(first + count // 2)[there]]]
        medians[there] = (low + high) / 2.0
    return medians


def _reached(
    values: NDArray[np.float64], group: NDArray[np.intp], groups: int, *, share: float
) -> NDArray[np.float64]:
    """Return the smallest value that `share` of the values of each group do not exceed, or NaN."""
    order = np.lexsort((values, group))
    count = np.bincount(group, minlength=groups)
    first = np.concatenate(([0], np.cumsum(count)))[:-1]
    reached = np.full(groups, np.nan)
    there = count > 0
    place = first + np.ceil(share * count - 1e-9).astype(np.intp) - 1
    reached[there] = values[order[place[there]]]
    return reached


def _seconds(time_ns: float) -> float | None:
    return None if np.isnan(time_ns) else float(time_ns) * 1e-9
