"""What each drive says of itself by now: state and fault in the layout's words, and since when.

From the newest code of a joint and the events that tell where a code began to mean another; a
layout without such codes may tell them in messages, of which the newest counts. Reads events, no
rows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from logger.joint.bench.codes import UNKNOWN, Codes, codes_of
from logger.joint.bench.layout import Frame
from logger.store.layout.events import Event
from replay.recording import Recording

__all__ = ["Said", "told_by"]

Kind = Literal["state", "fault"]
_CHANNELS: Final[dict[Kind, str]] = {"state": "state_code", "fault": "fault_code"}
_NO_FAULT: Final = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a drive says of its state, or of its fault."""

    words: str
    """ "operation enabled", or "voltage (0x3210)"; the code alone where the layout has no words."""
    stands: bool
    """Of a fault: False where it says that there is none."""
    since_ns: int | None
    """When it began to mean that; None where no event tells."""
    told_ns: int
    """When it was told last."""


def told_by(
    recording: Recording, joint: str, kind: Kind, newest: Mapping[str, tuple[int, float]]
) -> Said | None:
    """Return what a joint's drive says of its state or fault; None where it never said anything.

    Parameters
    ----------
    newest
        Channel -> time and value of its newest reading.
    """
    frames = recording.bench.layout_of(recording.bench.joint(joint)).frame
    channel = _CHANNELS[kind]
    codes = _of_channel(frames, channel)
    if codes is None and not any(frame.event == kind for frame in frames):
        return None
    events = recording.events()
    event = _newest(events, joint, kind, channel)
    said = None
    if codes is not None and (channel in newest or event is not None):
        said = _by_code(codes, kind, newest.get(channel), event)
    message = _newest(events, joint, kind, "")
    if message is None or (said is not None and (kind == "state" or said.stands)):
        return said
    if event is not None and event.time_ns > message.time_ns:
        # The code has spoken since, and says that it is over.
        return said
    return _by_message(frames, joint, kind, message) or said


def _newest(events: Sequence[Event], joint: str, kind: Kind, channel: str) -> Event | None:
    return next(
        (
            event
            for event in reversed(events)
            if event.kind == kind and event.joint == joint and event.channel == channel
        ),
        None,
    )


def _of_channel(frames: tuple[Frame, ...], channel: str) -> Codes | None:
    return next(
        (
            codes_of(value.names, value.flags, bits=value.bits, signed=value.signed)
            for frame in frames
            for value in frame.value
            if value.channel == channel
        ),
        None,
    )


def _by_code(
    codes: Codes, kind: Kind, reading: tuple[int, float] | None, event: Event | None
) -> Said:
    assert reading is not None or event is not None, "told_by has seen to it"
    told_ns, value = reading if reading is not None else (0, 0.0)
    if event is not None and event.time_ns >= told_ns:
        told_ns, value = event.time_ns, event.value
    code = int(value)
    same = event is not None and _same(codes, int(event.value), code)
    return Said(
        words=_words(codes, kind, code),
        stands=kind == "state" or not _calm(codes, code),
        since_ns=event.time_ns if event is not None and same else None,
        told_ns=told_ns,
    )


def _by_message(frames: tuple[Frame, ...], joint: str, kind: Kind, message: Event) -> Said | None:
    """Return what a message says by its first part; None for one that is of no frame."""
    for frame in frames:
        if frame.part and frame.event == kind and message.text.startswith(f"{joint}: {frame.name}"):
            part = frame.part[0]
            codes = codes_of(part.names, part.flags, bits=part.bits, signed=part.signed)
            code = int(message.value)
            return Said(
                words=_words(codes, kind, code),
                stands=kind == "state" or not _calm(codes, code),
                since_ns=message.time_ns,
                told_ns=message.time_ns,
            )
    return None


def _words(codes: Codes, kind: Kind, code: int) -> str:
    # The number of a fault is what its maker's manual is searched for; that of a state is not.
    return (codes.words(code) if kind == "state" else "") or codes.told(code)


def _calm(codes: Codes, code: int) -> bool:
    """Whether a fault code says that there is none: nought, or what has the same name."""
    named = codes.words(_NO_FAULT) not in {"", UNKNOWN}
    return code == _NO_FAULT or (named and _same(codes, code, _NO_FAULT))


def _same(codes: Codes, one: int, other: int) -> bool:
    first, second = codes.meaning(np.array([one, other], np.int64)).tolist()
    return bool(first == second)
