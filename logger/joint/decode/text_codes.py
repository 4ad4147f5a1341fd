"""What joints say in words: faults, states and messages, told where their meaning changes.

A code that repeats with every frame is told once; an emergency message is told each time. Comes out
as notices, which the recorder makes events of. Pure; the meaning told last goes in and comes back,
so that any chunking tells the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.bench.codes import Codes, codes_of
from logger.joint.bench.layout import Frame
from logger.joint.bench.value import Part
from logger.joint.channels import CHANNELS
from logger.joint.decode.bit_fields import raw_values

__all__ = ["Notice", "TellPlan", "TellState", "tell", "tell_plan"]

_CHANNELS: Final = {"fault_code": "fault", "state_code": "state"}
_NO_FAULT: Final = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something that a joint said in words."""

    time_ns: int
    joint: str
    kind: str
    """fault or state."""
    channel: str
    """The channel whose code it is, or "" for a message."""
    value: float
    """The code; of a message its first part."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TellPlan:
    """What one kind of frame tells in words."""

    name: str
    codes: Mapping[str, Codes]
    """Code channel that the frame carries -> its words."""
    parts: tuple[tuple[Part, Codes], ...]
    each: bool
    event: str

    def __bool__(self) -> bool:
        return bool(self.codes or self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class TellState:
    """What was told last, by channel or by the name of a frame."""

    meanings: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    codes: Mapping[str, float] = field(default_factory=lambda: {"fault_code": _NO_FAULT})
    """The code itself: one that repeats needs no words."""

    def repeats(self, channel: str, codes: NDArray[np.float64]) -> bool:
        """Whether a channel only repeats what it said last."""
        return channel in self.codes and bool((codes == self.codes[channel]).all())


def tell_plan(frame: Frame) -> TellPlan:
    """Return what a kind of frame tells in words."""
    return TellPlan(
        name=frame.name,
        codes={
            value.channel: codes_of(value.names, value.flags, bits=value.bits, signed=value.signed)
            for value in frame.value
            if CHANNELS[value.channel].whole
        },
        parts=tuple(
            (part, codes_of(part.names, part.flags, bits=part.bits, signed=part.signed))
            for part in frame.part
        ),
        each=frame.tells == "each",
        event=frame.event,
    )


def tell(
    plan: TellPlan,
    state: TellState,
    *,
    joint: str,
    time_ns: NDArray[np.int64],
    values: Mapping[str, NDArray[np.float64]],
    data: NDArray[np.uint8],
) -> tuple[list[Notice], NDArray[np.bool_], TellState]:
    """Return what n frames of one kind tell, which of them say "just switched on", and the state.

    Parameters
    ----------
    values
        Code channel -> decoded values of these frames, shape (n,), NaN for none.
    data
        Their payloads, uint8, shape (n, width).
    """
    notices: list[Notice] = []
    restarts = np.zeros(len(time_ns), bool)
    meanings, newest = dict(state.meanings), dict(state.codes)
    for channel, codes in plan.codes.items():
        held = np.flatnonzero(~np.isnan(values[channel]))
        raw = values[channel][held].astype(np.int64)
        before = meanings.get(channel)
        if before is None and channel == "fault_code":
            # That there is no fault is nothing to tell.
            before = (int(codes.meaning(np.array([_NO_FAULT]))[0]),)
        turns, last = _turns([codes.meaning(raw)], before)
        if last is not None:
            meanings[channel] = last
        if len(raw):
            newest[channel] = float(raw[-1])
        notices += [
            Notice(
                time_ns=int(time_ns[held[row]]),
                joint=joint,
                kind=_CHANNELS[channel],
                channel=channel,
                value=float(raw[row]),
                text=_sentence(joint, channel, codes, int(raw[row])),
            )
            for row in turns
        ]
    if plan.parts and len(time_ns):
        raws = [raw_values(data, part) for part, _ in plan.parts]
        for (part, _), raw in zip(plan.parts, raws, strict=True):
            if part.restart is not None:
                restarts |= raw == part.restart
        key = f"frame {plan.name}"
        if plan.each:
            turns = np.arange(len(time_ns))
        else:
            told = [codes.meaning(raw) for (_, codes), raw in zip(plan.parts, raws, strict=True)]
            turns, last = _turns(told, meanings.get(key))
            if last is not None:
                meanings[key] = last
        notices += [
            Notice(
                time_ns=int(time_ns[row]),
                joint=joint,
                kind=plan.event,
                channel="",
                value=float(raws[0][row]),
                text=f"{joint}: {plan.name}: "
                + ", ".join(
                    f"{part.name} {codes.told(int(raw[row]))}"
                    for (part, codes), raw in zip(plan.parts, raws, strict=True)
                )
                + ".",
            )
            for row in turns.tolist()
        ]
    return notices, restarts, TellState(meanings=meanings, codes=newest)


def _turns(
    meanings: Sequence[NDArray[np.int64]], before: tuple[int, ...] | None
) -> tuple[NDArray[np.intp], tuple[int, ...] | None]:
    """Return the rows at which a meaning is another than before, and the last one."""
    count = len(meanings[0])
    if count == 0:
        return np.empty(0, np.intp), before
    turned = np.zeros(count, bool)
    for place, meaning in enumerate(meanings):
        turned[1:] |= meaning[1:] != meaning[:-1]
        turned[0] |= before is None or int(meaning[0]) != before[place]
    return np.flatnonzero(turned), tuple(int(meaning[-1]) for meaning in meanings)


def _sentence(joint: str, channel: str, codes: Codes, raw: int) -> str:
    if channel == "fault_code":
        if raw == _NO_FAULT and not codes.names:
            return f"{joint}: no fault any more."
        return f"{joint}: fault {codes.told(raw)}."
    return f"{joint}: drive state {codes.told(raw)}."
