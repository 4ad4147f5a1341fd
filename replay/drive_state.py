"""The state and the fault that each drive reports, in the layout's words, and since when.

From the newest code of a joint, and the events that were recorded where the meaning of a code
changed. A layout may report states and faults in messages instead, of which the newest counts.
Reads events, no rows.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from logger.event_kind import EventKind
from logger.joint.bench.codes import UNKNOWN_CODE, CodeTable, code_table
from logger.joint.bench.layout import Frame
from logger.store.layout.events import Event
from replay.recording import Recording

__all__ = ["DriveState", "codes_of_channel", "codes_of_message", "read_drive_state"]

DriveFact = Literal[EventKind.STATE, EventKind.FAULT]
_CODE_CHANNELS: Final[dict[DriveFact, str]] = {
    EventKind.STATE: "state_code",
    EventKind.FAULT: "fault_code",
}
_NO_FAULT_CODE: Final = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveState:
    """The state, or the fault, that a drive reports."""

    text: str
    """ "operation enabled", or "voltage (0x3210)"; the code alone where the layout has no words."""
    is_active: bool
    """Of a fault: False where the drive reports that there is none."""
    since_ns: int | None
    """When it was first reported without a change since; None where no event has it."""
    reported_ns: int
    """When it was last reported."""


def read_drive_state(
    recording: Recording, joint: str, kind: DriveFact, newest: Mapping[str, tuple[int, float]]
) -> DriveState | None:
    """Return the state or fault of a joint's drive; None where it never reported any.

    Parameters
    ----------
    newest
        Channel -> time and value of its newest reading.
    """
    frames = recording.bench.layout_of(recording.bench.joint_named(joint)).frame
    channel = _CODE_CHANNELS[kind]
    codes = codes_of_channel(frames, channel)
    if codes is None and not any(EventKind(frame.event) == kind for frame in frames):
        return None
    events = recording.read_events()
    event = _newest_event(events, joint, kind, channel)
    state = None
    if codes is not None and (channel in newest or event is not None):
        state = _state_from_code(codes, kind, newest.get(channel), event)
    message = _newest_event(events, joint, kind, "")
    if message is None or (state is not None and (kind == EventKind.STATE or state.is_active)):
        return state
    if event is not None and event.time_ns > message.time_ns:
        # The code changed after the message, and reports no fault any more.
        return state
    return _state_from_message(frames, kind, message) or state


def _newest_event(
    events: Sequence[Event], joint: str, kind: DriveFact, channel: str
) -> Event | None:
    return next(
        (
            event
            for event in reversed(events)
            if event.kind == kind and event.joint == joint and event.channel == channel
        ),
        None,
    )


def codes_of_channel(frames: tuple[Frame, ...], channel: str) -> CodeTable | None:
    """Return the words of a channel's codes; None where no frame of a layout carries it."""
    return next(
        (
            code_table(value.names, value.flags, bits=value.bits, signed=value.signed)
            for frame in frames
            for value in frame.value
            if value.channel == channel
        ),
        None,
    )


def codes_of_message(frame: Frame) -> CodeTable:
    """Return the words of the first part of a message, which says what it is about."""
    part = frame.part[0]
    return code_table(part.names, part.flags, bits=part.bits, signed=part.signed)


def _state_from_code(
    codes: CodeTable, kind: DriveFact, reading: tuple[int, float] | None, event: Event | None
) -> DriveState:
    assert reading is not None or event is not None, "the caller has one of the two"
    reported_ns, value = reading if reading is not None else (0, 0.0)
    if event is not None and event.time_ns >= reported_ns:
        reported_ns, value = event.time_ns, float(event.whole_value)
    code = int(value) if math.isfinite(value) else 0
    is_unchanged = event is not None and _have_same_meaning(codes, event.whole_value, code)
    return DriveState(
        text=_code_text(codes, kind, code),
        is_active=kind == EventKind.STATE or not _is_no_fault(codes, code),
        since_ns=event.time_ns if event is not None and is_unchanged else None,
        reported_ns=reported_ns,
    )


def _state_from_message(
    frames: tuple[Frame, ...], kind: DriveFact, message: Event
) -> DriveState | None:
    """Return the state in the first part of a message; None if no frame of the layout sent it."""
    for frame in frames:
        if frame.part and EventKind(frame.event) == kind and message.frame == frame.name:
            codes = codes_of_message(frame)
            code = message.whole_value
            return DriveState(
                text=_code_text(codes, kind, code),
                is_active=kind == EventKind.STATE or not _is_no_fault(codes, code),
                since_ns=message.time_ns,
                reported_ns=message.time_ns,
            )
    return None


def _code_text(codes: CodeTable, kind: DriveFact, code: int) -> str:
    # People look up the number of a fault in the manual of the drive, but not that of a state.
    return (codes.describe_code(code) if kind == EventKind.STATE else "") or codes.label(code)


def _is_no_fault(codes: CodeTable, code: int) -> bool:
    """Return whether a fault code means no fault: 0, or any code with the same name as 0."""
    named = codes.describe_code(_NO_FAULT_CODE) not in {"", UNKNOWN_CODE}
    return code == _NO_FAULT_CODE or (named and _have_same_meaning(codes, code, _NO_FAULT_CODE))


def _have_same_meaning(codes: CodeTable, first_code: int, second_code: int) -> bool:
    first, second = codes.meaning_numbers(np.array([first_code, second_code], np.int64)).tolist()
    return bool(first == second)
