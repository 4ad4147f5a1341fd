"""Events about readings that surprise: values out of range, turns that were lost or found."""

from collections.abc import Iterable, Mapping

from logger.event_kind import ANCHOR_WORDS, EventKind, PositionAnchor
from logger.joint.batch import FrameBatch
from logger.joint.channels import channel_named
from logger.joint.decode.decode import OutOfRange
from logger.recording.event_log import EventLog
from logger.recording.position_segments import PositionBreak

__all__ = ["emit_out_of_range", "emit_position_breaks"]


def emit_out_of_range(
    events: EventLog,
    label: str,
    joint: str,
    *,
    channel: str,
    outliers: OutOfRange,
    frames: FrameBatch,
) -> None:
    """Emit that a channel left its valid range, with the frame that held the value.

    The value is stored unchanged: most often the layout is wrong, and the raw frames are kept to
    decode again.
    """
    valid, row = channel_named(channel), outliers.row
    payload = bytes(frames.data[row, : frames.length[row]]).hex(" ").upper()
    events.emit(
        EventKind.STRANGE_VALUE,
        time_ns=int(frames.time_ns[row]),
        joint=joint,
        channel=channel,
        value=outliers.value,
        frame=outliers.frame,
        text=f"{label}: {channel} of {outliers.value:.6g} lies outside "
        f"{valid.lowest:g} to {valid.highest:g} (frame "
        f"0x{int(frames.identifier[row]):03X}, {payload}). It is stored unchanged; compare "
        "sign, byte order and scale in the layout, then `dutytrace redecode`.",
    )


def emit_position_breaks(
    events: EventLog,
    label: str,
    joint: str,
    begun: Iterable[PositionBreak],
    anchors: Mapping[tuple[str, int], PositionAnchor],
) -> None:
    """Emit where a position begins a new segment: turns that were lost, or found by an anchor."""
    for one in begun:
        anchor = anchors.get((joint, one.segment))
        if anchor is not None:
            events.emit(
                EventKind.POSITION_FOUND,
                time_ns=one.time_ns,
                joint=joint,
                anchor=anchor,
                text=f"{label}: the encoder's turns are known again, since "
                f"{ANCHOR_WORDS[anchor]}; position continues from before they were lost.",
            )
            continue
        events.emit(
            EventKind.POSITION_LOST,
            time_ns=one.time_ns,
            joint=joint,
            duration_s=one.silent_s,
            text=f"{label}: after {one.silent_s:.2f} s without a reading the encoder's turns "
            "are unknown; position continues in a new segment.",
        )
