"""The senders of a bus: each kind of frame with its period, jitter and longest gap.

Frames of one identifier that differ in their leading bytes count apart: each kind has a
period of its own. Also finds the one frame that is repeated without a pause. Pure and vectorised;
frames of one bus, in order of time.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_s
from logger.joint.batch import ERROR, EXTENDED, REMOTE, FrameBatch
from logger.joint.bench.identifiers import format_id
from logger.traffic.frame_length import frame_bits

__all__ = ["FrameKind", "FrameRole", "MessageStats", "flooding_frame", "message_stats"]

FrameRole = Literal["joint", "set-point", "request", "unknown"]
"""The role of a frame: sent by a joint, sent to it, a request to it, or none of these."""

_MAD_TO_SIGMA: Final = 1.4826
"""Median deviation -> standard deviation of a normal distribution."""
_SAME_CONTENT_SHARE: Final = 0.95
_NO_PAUSE_LOAD: Final = 0.7
"""Share of the time: an adapter on a slow line does not pass on every frame."""
_INTERFRAME_BITS: Final = 14
"""What a frame without acknowledgement takes beyond its own length: error flag and delimiter
instead of its end (+6), and 8 bits of waiting in the error-passive state. From memory of ISO
11898-1; the share above is wide enough not to hang on it."""
_MIN_REPEATS: Final = 20
"""Frames; fewer may be equal by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameKind:
    """One kind of frame that a layout of the bench names."""

    bus: int
    joint: str
    frame: str
    """Its name in the layout."""
    role: FrameRole
    extended: bool
    identifier: int
    mask: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageStats:
    """One identifier, or one kind of frame on it, over the time listened to."""

    identifier: int
    extended: bool
    remote: bool
    role: FrameRole
    joints: tuple[str, ...]
    """The joints of the identifier; several where joints share it and the frame matches none."""
    frame: str | None
    """The layout's name for it; None: no frame of a layout fits, so it is not decoded."""
    count: int
    period_s: float | None
    """Median interval between frames; None for a single frame."""
    jitter_s: float | None
    """Spread of the intervals around the period: 1.4826 times the median absolute deviation, which
    is the standard deviation of normal deviations, and is not moved by a few long gaps."""
    jitter_95_s: float | None
    """95 % of the intervals deviate from the period by at most this; None for a single frame.
    What the robust figure above does not show: how late a frame may come."""
    longest_gap_s: float
    """Longest time without one, the beginning and the end of listening included."""
    last_s: float
    """Time from the last frame to the end of listening."""

    @property
    def identifier_text(self) -> str:
        """The identifier as a layout file writes it."""
        return format_id(self.identifier, extended=self.extended)


def message_stats(
    frames: FrameBatch,
    match_number: NDArray[np.intp],
    *,
    frame_kinds: Sequence[FrameKind],
    start_ns: int,
    end_ns: int,
) -> tuple[MessageStats, ...]:
    """Return the senders, lowest identifier first; error frames are left out.

    Parameters
    ----------
    frames
        What one bus gave from `start_ns` to `end_ns`.
    match_number
        For each frame its number in `frame_kinds`, -1 for none, shape (n,).
    frame_kinds
        What the bench's layouts name.
    """
    real = (frames.flags & ERROR) == 0
    frames, match_number = frames.select_rows(real), match_number[real]
    if len(frames) == 0:
        return ()
    key = frames.identifier.astype(np.int64)
    key |= ((frames.flags & EXTENDED) != 0).astype(np.int64) << 29
    key |= ((frames.flags & REMOTE) != 0).astype(np.int64) << 30
    key |= (match_number.astype(np.int64) + 1) << 31
    keys, group, counts = np.unique(key, return_inverse=True, return_counts=True)
    order = np.argsort(group, kind="stable")
    time_ns, group = frames.time_ns[order], group[order]
    first = np.concatenate(([0], np.cumsum(counts)))

    step_ns = np.diff(time_ns)
    within = group[1:] == group[:-1]
    step_ns, step_of = step_ns[within], group[1:][within]
    period_ns = _group_medians(step_ns.astype(np.float64), step_of, len(keys))
    stray_ns = np.abs(step_ns - period_ns[step_of])
    jitter_ns = _MAD_TO_SIGMA * _group_medians(stray_ns, step_of, len(keys))
    jitter_95_ns = _group_quantiles(stray_ns, step_of, len(keys), share=0.95)
    gap_ns = np.maximum(time_ns[first[:-1]] - start_ns, end_ns - time_ns[first[1:] - 1])
    np.maximum.at(gap_ns, step_of, step_ns)
    last_ns = end_ns - time_ns[first[1:] - 1]

    group_rows = [kind for kind in frame_kinds if kind.bus == frames.bus[0]]
    stats = []
    for group_index, frame_key in enumerate(keys.tolist()):
        number, extended = frame_key & 0x1FFFFFFF, bool(frame_key >> 29 & 1)
        kind = frame_kinds[(frame_key >> 31) - 1] if frame_key >> 31 else None
        candidates = (
            [kind]
            if kind
            else [
                kind_here for kind_here in group_rows if _kind_matches(kind_here, number, extended)
            ]
        )
        stats.append(
            MessageStats(
                identifier=number,
                extended=extended,
                remote=bool(frame_key >> 30 & 1),
                role=candidates[0].role if candidates else "unknown",
                joints=tuple(dict.fromkeys(claimant.joint for claimant in candidates)),
                frame=kind.frame if kind else None,
                count=int(counts[group_index]),
                period_s=_ns_to_seconds(period_ns[group_index]),
                jitter_s=_ns_to_seconds(jitter_ns[group_index]),
                jitter_95_s=_ns_to_seconds(jitter_95_ns[group_index]),
                longest_gap_s=to_s(float(gap_ns[group_index])),
                last_s=to_s(float(last_ns[group_index])),
            )
        )
    return tuple(sorted(stats, key=lambda frame_key: (frame_key.extended, frame_key.identifier)))


def flooding_frame(frames: FrameBatch, *, bitrate: int | None) -> tuple[int, bool] | None:
    """Return identifier and "29-bit" of the one frame that is repeated without a pause, or None.

    A sender that is not acknowledged repeats its frame for ever, and nothing else: nearly all
    frames equal the one before, and they leave hardly any room. None without a bit rate.
    """
    frames = frames.select_rows((frames.flags & ERROR) == 0)
    if bitrate is None or len(frames) < _MIN_REPEATS:
        return None
    same_content = (
        (frames.identifier[1:] == frames.identifier[:-1])
        & (frames.flags[1:] == frames.flags[:-1])
        & (frames.length[1:] == frames.length[:-1])
        & (frames.data[1:] == frames.data[:-1]).all(axis=1)
    )
    if np.count_nonzero(same_content) < _SAME_CONTENT_SHARE * len(same_content):
        return None
    span_s = to_s(float(frames.time_ns[-1] - frames.time_ns[0]))
    busy_s = float((frame_bits(frames)[1:] + _INTERFRAME_BITS).sum()) / bitrate
    if busy_s < _NO_PAUSE_LOAD * span_s:
        return None
    row_index = int(same_content.argmax())
    return int(frames.identifier[row_index]), bool(frames.flags[row_index] & EXTENDED)


def _kind_matches(kind: FrameKind, number: int, extended: bool) -> bool:  # noqa: FBT001 - part of the number
    return kind.extended == extended and number & kind.mask == kind.identifier


def _group_medians(
    values: NDArray[np.float64], group: NDArray[np.intp], groups: int
) -> NDArray[np.float64]:
    """Return the median of the values of each group, NaN for a group without any."""
    order = np.lexsort((values, group))
    count = np.bincount(group, minlength=groups)
    first = np.concatenate(([0], np.cumsum(count)))[:-1]
    medians = np.full(groups, np.nan)
    present = count > 0
    if present.any():
        low = values[order[(first + (count - 1) // 2)[present]]]
        high = values[order[(first + count // 2)[present]]]
        medians[present] = (low + high) / 2.0
    return medians


def _group_quantiles(
    values: NDArray[np.float64], group: NDArray[np.intp], groups: int, *, share: float
) -> NDArray[np.float64]:
    """Return the smallest value that `share` of the values of each group do not exceed, or NaN."""
    order = np.lexsort((values, group))
    count = np.bincount(group, minlength=groups)
    first = np.concatenate(([0], np.cumsum(count)))[:-1]
    quantile_rows = np.full(groups, np.nan)
    present = count > 0
    offsets = first + np.ceil(share * count - 1e-9).astype(np.intp) - 1
    quantile_rows[present] = values[order[offsets[present]]]
    return quantile_rows


def _ns_to_seconds(time_ns: float) -> float | None:
    return None if np.isnan(time_ns) else to_s(float(time_ns))
