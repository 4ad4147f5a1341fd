"""What a layout makes of frames: for a person who is still writing it.

Per kind of frame how many came and how often, per channel the newest value, its range, what lies
outside, what is no value, and the largest jump; of what is not decoded an example of each reason.
Pure.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import EXTENDED, FrameBatch
from logger.joint.bench.bench import Bench, bench_from
from logger.joint.bench.identifiers import named
from logger.joint.bench.layout import Frame
from logger.joint.channels import CHANNELS
from logger.joint.decode.decode import DecodeState, decode, kinds_of, plan_for
from logger.joint.decode.dispatch import reasons_of

__all__ = ["ChannelTried", "KindTried", "NotDecoded", "Trial", "bench_for", "tried", "with_layout"]

SAID: Final = 3
"""Of what joints said in words, so much is shown."""
LEFT: Final = 12
"""Identifiers shown of what is not decoded."""


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
    absent: int
    """How often a frame came that carries it, and said "no value"."""
    newest: float | None
    lowest: float | None
    highest: float | None
    jump: float | None
    """The largest step from one value to the next."""
    outside: int
    """Values that no joint can have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDecoded:
    """Frames that nobody decodes: of one identifier, for one reason."""

    identifier: str
    reason: str
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
    """The most frequent first; the first of each reason is there for certain."""
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


def tried(bench: Bench, frames: FrameBatch, *, joint: str | None = None) -> Trial:
    """Return what a bench makes of frames, in order of time for each bus; `joint`: only of that."""
    # Nothing is sent here: what looks like a request may be one.
    plan = plan_for(bench, asking=False)
    decoded, _ = decode(plan, DecodeState(), frames)
    kinds: list[KindTried] = []
    channels: list[ChannelTried] = []
    for one, readings, kind in zip(
        plan.joints, decoded.readings, kinds_of(plan, frames), strict=True
    ):
        name = one.joint.name
        if joint not in {None, name}:
            continue
        carrying = dict.fromkeys(one.channels, 0)
        for place, held in enumerate(one.frames):
            times = frames.time_ns[kind == place]
            for channel in _carried(bench, held.frame, name):
                carrying[channel] += len(times)
            kinds.append(
                KindTried(
                    joint=name,
                    frame=held.frame.name,
                    count=len(times),
                    period_s=float(np.median(np.diff(times))) * 1e-9 if len(times) > 1 else None,
                )
            )
        channels += [
            _channel(name, channel, readings.series(channel)[1], carrying[channel])
            for channel in one.channels
        ]
    return Trial(
        frames=len(frames),
        requests=decoded.requests,
        kinds=tuple(kinds),
        channels=tuple(channels),
        reasons=decoded.rejected,
        left=_left(frames, reasons_of(plan.owners, frames)),
        said=tuple(notice.text for notice in decoded.notices if joint in {None, notice.joint})[
            -SAID:
        ],
    )


def _carried(bench: Bench, frame: Frame, joint: str) -> set[str]:
    """Return the channels that a kind of frame tells, the derived torque among them."""
    carried = {value.channel for value in frame.value}
    if "current_A" in carried and bench.derives_torque(bench.joint(joint)):
        carried.add("torque_Nm")
    return carried


def _channel(joint: str, channel: str, values: NDArray[np.float64], carrying: int) -> ChannelTried:
    known = CHANNELS[channel]
    there = len(values) > 0
    return ChannelTried(
        joint=joint,
        channel=channel,
        count=len(values),
        absent=carrying - len(values),
        newest=float(values[-1]) if there else None,
        lowest=float(values.min()) if there else None,
        highest=float(values.max()) if there else None,
        jump=float(np.abs(np.diff(values)).max()) if len(values) > 1 else None,
        outside=int(np.count_nonzero((values < known.lowest) | (values > known.highest))),
    )


def _left(frames: FrameBatch, reasons: Mapping[str, NDArray[np.bool_]]) -> tuple[NotDecoded, ...]:
    found: list[NotDecoded] = []
    for reason, rows in reasons.items():
        of_it = frames.taken(rows)
        key = of_it.identifier.astype(np.int64) << 1 | ((of_it.flags & EXTENDED) != 0)
        # Of the frames turned round the first of each identifier is the newest.
        _, back, counts = np.unique(key[::-1], return_index=True, return_counts=True)
        here = [
            NotDecoded(
                identifier=named(
                    int(of_it.identifier[row]), extended=bool(of_it.flags[row] & EXTENDED)
                ),
                reason=reason,
                count=int(count),
                example=bytes(of_it.data[row, : of_it.length[row]]).hex(" ").upper(),
            )
            for row, count in zip(len(of_it) - 1 - back, counts, strict=True)
        ]
        found += sorted(here, key=lambda one: -one.count)[:LEFT]
    first = [
        next(one for one in found if one.reason == reason)
        for reason, rows in reasons.items()
        if rows.any()
    ]
    rest = sorted((one for one in found if one not in first), key=lambda one: -one.count)
    shown = [*first, *rest[: max(0, LEFT - len(first))]]
    return tuple(sorted(shown, key=lambda one: -one.count))
