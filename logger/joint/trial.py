"""What a layout makes of frames: for a person who is still writing it.

Per kind of frame how many came and how often, per channel the newest value, its range, what lies
outside, what is no value, and the largest jump; per reason an example of what is not decoded. Pure.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import EXTENDED, FrameBatch
from logger.joint.bench import Bench, bench_from
from logger.joint.channels import CHANNELS
from logger.joint.decode import DecodeState, decode, plan_for
from logger.joint.identifiers import named
from logger.joint.owners import owners_of

__all__ = ["ChannelTried", "KindTried", "NotDecoded", "Trial", "bench_for", "tried", "with_layout"]

EXAMPLES: Final = 3
"""Frames shown for each reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KindTried:
    """One kind of frame of one joint."""

    joint: str
    frame: str
    count: int
    period_s: float | None
    """Median; None for fewer than two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelTried:
    """One channel of one joint, in its own unit."""

    joint: str
    channel: str
    count: int
    newest: float | None
    lowest: float | None
    highest: float | None
    jump: float | None
    """The largest step from one value to the next."""
    outside: int
    """Values that no joint can have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDecoded:
    """Frames that nobody decodes, of one identifier."""

    identifier: str
    count: int
    example: str
    """Payload of the newest, in hex."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What became of the frames."""

    frames: int
    requests: int
    kinds: tuple[KindTried, ...]
    channels: tuple[ChannelTried, ...]
    reasons: Mapping[str, int]
    """Reason in words -> frames that were not decoded for it."""
    left: tuple[NotDecoded, ...]
    """By identifier, the most frequent first."""
    said: tuple[str, ...]
    """What joints said in words, the newest last."""


def bench_for(layout: str, *, node: int, gear_ratio: float, buses: int = 1) -> str:
    """Return the text of a bench with one joint of a layout, for frames of a log."""
    text = "".join(
        f'[[bus]]\nname = "bus{place}"\ninterface = "virtual"\nfd = true\n'
        for place in range(1, buses + 1)
    )
    return (
        f'{text}[[joint]]\nname = "joint"\nbus = "bus1"\nlayout = "{layout}"\nnode = {node}\n'
        f"gear_ratio = {gear_ratio!r}\n"
    )


def with_layout(bench: Bench, name: str, layout: str, *, where: str) -> Bench:
    """Return the bench with another text of one of its layouts; raises InputError."""
    return bench_from(bench.text, {**bench.layout_texts, name: layout}, where=where)


def tried(bench: Bench, frames: FrameBatch) -> Trial:
    """Return what a bench makes of frames, in order of time for each bus."""
    # Nothing is sent here: what looks like a request may be one.
    plan = plan_for(bench, asking=False)
    decoded, _ = decode(plan, DecodeState(), frames)
    owner, _ = owners_of(plan.owners, frames)
    kinds: list[KindTried] = []
    channels: list[ChannelTried] = []
    for joint, readings in zip(plan.joints, decoded.readings, strict=True):
        kind = joint.kind_of[owner]
        for place, frame in enumerate(joint.frames):
            times = frames.time_ns[kind == place]
            kinds.append(
                KindTried(
                    joint=joint.joint.name,
                    frame=frame.frame.name,
                    count=len(times),
                    period_s=float(np.median(np.diff(times))) * 1e-9 if len(times) > 1 else None,
                )
            )
        channels += [
            _channel(joint.joint.name, channel, readings.series(channel)[1])
            for channel in joint.channels
        ]
    return Trial(
        frames=len(frames),
        requests=decoded.requests,
        kinds=tuple(kinds),
        channels=tuple(channels),
        reasons=decoded.rejected,
        left=_left(frames.taken(owner == -1)),
        said=tuple(notice.text for notice in decoded.notices[-EXAMPLES:]),
    )


def _channel(joint: str, channel: str, values: NDArray[np.float64]) -> ChannelTried:
    known = CHANNELS[channel]
    there = len(values) > 0
    return ChannelTried(
        joint=joint,
        channel=channel,
        count=len(values),
        newest=float(values[-1]) if there else None,
        lowest=float(values.min()) if there else None,
        highest=float(values.max()) if there else None,
        jump=float(np.abs(np.diff(values)).max()) if len(values) > 1 else None,
        outside=int(np.count_nonzero((values < known.lowest) | (values > known.highest))),
    )


def _left(frames: FrameBatch) -> tuple[NotDecoded, ...]:
    key = frames.identifier.astype(np.int64) << 1 | (frames.flags & EXTENDED)
    found = []
    for one, count in zip(*np.unique(key, return_counts=True), strict=True):
        row = int(np.flatnonzero(key == one)[-1])
        found.append(
            NotDecoded(
                identifier=named(int(one) >> 1, extended=bool(one & 1)),
                count=int(count),
                example=bytes(frames.data[row, : frames.length[row]]).hex(" ").upper(),
            )
        )
    return tuple(sorted(found, key=lambda one: -one.count)[: 4 * EXAMPLES])
