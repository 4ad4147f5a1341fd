"""The state of decoding between two batches of frames, one part for each joint. Pure."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from logger.arrays import TIME_MIN_NS
from logger.joint.decode.loopback import EchoState
from logger.joint.decode.lost_frames import CounterState
from logger.joint.decode.text_codes import TextState
from logger.joint.decode.turn_memory import HeldCounts, TurnMemory
from logger.joint.decode.unwrap import UnwrapState

__all__ = ["DecodeState", "JointState", "state_for_resume"]


class JointState(NamedTuple):
    """The state of one joint: its turns, its texts, its newest speed.

    A tuple, as one is made of every batch.
    """

    turns: UnwrapState = UnwrapState()
    text: TextState = TextState()
    restarts: int = 0
    """How often the joint reported that it was just switched on."""
    restarts_counted: int = 0
    """How many of these came before its encoder's newest count."""
    speed_counts_s: float = math.nan
    speed_time_ns: int = 0
    memory: TurnMemory = TurnMemory()
    """Of its rests and set-points, by which lost turns are found; as of before `held`."""
    held: tuple[HeldCounts, ...] = ()
    """The newest counts, which the memory has still to look at; none while turns are lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodeState:
    """The state between two batches, by joint."""

    joints: Mapping[str, JointState] = field(default_factory=dict)
    echoes: Mapping[int, EchoState] = field(default_factory=dict)
    counters: Mapping[int, CounterState] = field(default_factory=dict)
    """Index of a counter in the dispatch table -> the number that it had last."""


def state_for_resume(
    segments: Mapping[str, int], memories: Mapping[str, TurnMemory] | None = None
) -> DecodeState:
    """Return the state in which a recording is resumed.

    Parameters
    ----------
    segments
        Joint -> its newest position segment. No turns were counted in between, so an encoder's next
        reading begins the segment after that one.
    memories
        Joint -> what is remembered of it (`TurnMemory.after_restart`), to find the turns by.
    """
    return DecodeState(
        joints={
            joint: JointState(
                turns=UnwrapState(time_ns=TIME_MIN_NS, segment=segment),
                restarts=segment,
                restarts_counted=segment,
                memory=(memories or {}).get(joint, TurnMemory()),
            )
            for joint, segment in segments.items()
        }
    )
