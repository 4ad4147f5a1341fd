"""What decoding carries from one batch of frames to the next: where each joint stood. Pure."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from logger.arrays import TIME_MIN_NS
from logger.joint.decode.loopback import EchoState
from logger.joint.decode.text_codes import TextState
from logger.joint.decode.unwrap import UnwrapState

__all__ = ["DecodeState", "JointState", "state_for_resume"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JointState:
    """Where one joint stood: its turns, its words, its newest speed."""

    turns: UnwrapState = field(default_factory=UnwrapState)
    told: TextState = field(default_factory=TextState)
    restarts: int = 0
    """How often the joint said that it was just switched on."""
    restarts_counted: int = 0
    """How many of these its encoder's newest count knows of."""
    speed_counts_s: float = math.nan
    speed_time_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodeState:
    """What is carried from one batch to the next: where each joint stood."""

    joints: Mapping[str, JointState] = field(default_factory=dict)
    echoes: Mapping[int, EchoState] = field(default_factory=dict)


def state_for_resume(segments: Mapping[str, int]) -> DecodeState:
    """Return the state with which a recording is gone on with.

    `segments` names the newest position segment of each joint. Nobody counted turns in between, so
    an encoder's next reading begins a segment after that one.
    """
    return DecodeState(
        joints={
            joint: JointState(
                turns=UnwrapState(time_ns=TIME_MIN_NS, segment=segment),
                restarts=segment,
                restarts_counted=segment,
            )
            for joint, segment in segments.items()
        }
    )
