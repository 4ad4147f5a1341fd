"""A layout tried on frames: for a person who is still writing it. Pure.

Per kind of frame their number and period; per channel the newest value, its range, values out of
range, "no value" and the largest jump; of frames that are not decoded an example of each reason.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_s
from logger.joint.batch import EXTENDED, FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.bench.identifiers import format_id
from logger.joint.bench.layout import Frame
from logger.joint.channels import channel_named
from logger.joint.decode.decode import DecodeState, decode, decode_plan, frame_kinds
from logger.joint.decode.dispatch import reject_reasons

__all__ = [
    "ChannelResult",
    "KindResult",
    "NotDecoded",
    "Trial",
    "minimal_bench",
    "minimal_joint",
    "replace_layout",
    "run_trial",
]

MAX_NOTICES_SHOWN: Final = 3
"""The most notices that are shown."""
MAX_REASONS_SHOWN: Final = 12
"""Identifiers shown of what is not decoded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KindResult:
    """One kind of frame of one joint."""

    joint: str
    frame: str
    count: int
    period_s: float | None
    """Median; None for fewer than two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelResult:
    """One channel of one joint, in its own unit."""

    joint: str
    channel: str
    count: int
    absent: int
    """Frames that carry it but have "no value"."""
    newest: float | None
    lowest: float | None
    highest: float | None
    jump: float | None
    """The largest step from one value to the next."""
    outside: int
    """Values that no joint can have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDecoded:
    """Frames of one identifier that are not decoded for one reason."""

    identifier: str
    reason: str
    count: int
    example: str
    """Payload of the newest, in hex."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """The result of a trial."""

    frames: int
    requests: int
    kinds: tuple[KindResult, ...]
    channels: tuple[ChannelResult, ...]
    reasons: Mapping[str, int]
    """Reason in words -> frames that were not decoded for it."""
    not_decoded: tuple[NotDecoded, ...]
    """The most frequent first; the first of each reason is there for certain."""
    notices: tuple[str, ...]
    """Notices of the joints, the newest last."""


def minimal_bench(layout: str, *, node: int, gear_ratio: float, buses: int = 1) -> str:
    """Return the text of a bench with one joint of a layout, for frames of a log."""
    text = "".join(
        f'[[bus]]\nname = "bus{bus_index}"\ninterface = "virtual"\nfd = true\n'
        for bus_index in range(1, buses + 1)
    )
    return (
        f'{text}[[joint]]\nname = "joint"\nbus = "bus1"\nlayout = "{layout}"\nnode = {node}\n'
        f"gear_ratio = {gear_ratio!r}\n"
    )


def minimal_joint(layout: str) -> str:
    """Return the text of a joint of a layout, for a bench file of one bus that has none."""
    return f'\n[[joint]]\nname = "joint"\nlayout = "{layout}"\nnode = 0\n'


def replace_layout(bench: Bench, name: str, layout: str, *, where: str) -> Bench:
    """Return the bench with another text of one of its layouts; raises InputError."""
    return bench_from_texts(bench.text, {**bench.layout_texts, name: layout}, where=where)


def run_trial(bench: Bench, frames: FrameBatch, *, joint: str | None = None) -> Trial:
    """Decode frames, in order of time for each bus, and sum up; `joint`: only that one."""
    # Nothing is sent here: what looks like a request may be one.
    plan = decode_plan(bench, with_requests=False)
    decoded, _ = decode(plan, DecodeState(), frames)
    kinds: list[KindResult] = []
    channels: list[ChannelResult] = []
    for joint_plan, readings, kind in zip(
        plan.joints, decoded.readings, frame_kinds(plan, frames), strict=True
    ):
        name = joint_plan.joint.name
        if joint not in {None, name}:
            continue
        carrying = dict.fromkeys(joint_plan.channels, 0)
        for frame_index, frame_plan in enumerate(joint_plan.frames):
            times = frames.time_ns[kind == frame_index]
            for channel in _frame_channels(bench, frame_plan.frame, name):
                carrying[channel] += len(times)
            kinds.append(
                KindResult(
                    joint=name,
                    frame=frame_plan.frame.name,
                    count=len(times),
                    period_s=to_s(float(np.median(np.diff(times)))) if len(times) > 1 else None,
                )
            )
        channels += [
            _channel_result(name, channel, readings.channel_series(channel)[1], carrying[channel])
            for channel in joint_plan.channels
        ]
    return Trial(
        frames=len(frames),
        requests=decoded.requests,
        kinds=tuple(kinds),
        channels=tuple(channels),
        reasons=decoded.rejected,
        not_decoded=_undecoded_frames(frames, reject_reasons(plan.dispatch, frames)),
        notices=tuple(notice.text for notice in decoded.notices if joint in {None, notice.joint})[
            -MAX_NOTICES_SHOWN:
        ],
    )


def _frame_channels(bench: Bench, frame: Frame, joint: str) -> set[str]:
    """Return the channels that a kind of frame carries, the derived torque among them."""
    channels = {value.channel for value in frame.value}
    if "current_A" in channels and bench.derives_torque(bench.joint_named(joint)):
        channels.add("torque_Nm")
    return channels


def _channel_result(
    joint: str, channel: str, values: NDArray[np.float64], carrying: int
) -> ChannelResult:
    channel_spec = channel_named(channel)
    has_values = len(values) > 0
    return ChannelResult(
        joint=joint,
        channel=channel,
        count=len(values),
        absent=carrying - len(values),
        newest=float(values[-1]) if has_values else None,
        lowest=float(values.min()) if has_values else None,
        highest=float(values.max()) if has_values else None,
        jump=float(np.abs(np.diff(values)).max()) if len(values) > 1 else None,
        outside=int(
            np.count_nonzero((values < channel_spec.lowest) | (values > channel_spec.highest))
        ),
    )


def _undecoded_frames(
    frames: FrameBatch, reasons: Mapping[str, NDArray[np.bool_]]
) -> tuple[NotDecoded, ...]:
    undecoded: list[NotDecoded] = []
    for reason, rows in reasons.items():
        reason_frames = frames.select_rows(rows)
        key = reason_frames.identifier.astype(np.int64) << 1 | (
            (reason_frames.flags & EXTENDED) != 0
        )
        # Of the frames turned round the first of each identifier is the newest.
        _, index_from_end, counts = np.unique(key[::-1], return_index=True, return_counts=True)
        is_reason = [
            NotDecoded(
                identifier=format_id(
                    int(reason_frames.identifier[row]),
                    extended=bool(reason_frames.flags[row] & EXTENDED),
                ),
                reason=reason,
                count=int(count),
                example=bytes(reason_frames.data[row, : reason_frames.length[row]])
                .hex(" ")
                .upper(),
            )
            for row, count in zip(len(reason_frames) - 1 - index_from_end, counts, strict=True)
        ]
        undecoded += sorted(is_reason, key=lambda group: -group.count)[:MAX_REASONS_SHOWN]
    first = [
        next(group for group in undecoded if group.reason == reason)
        for reason, rows in reasons.items()
        if rows.any()
    ]
    rest = sorted(
        (group for group in undecoded if group not in first), key=lambda group: -group.count
    )
    shown_rows = [*first, *rest[: max(0, MAX_REASONS_SHOWN - len(first))]]
    return tuple(sorted(shown_rows, key=lambda group: -group.count))
