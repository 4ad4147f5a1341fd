"""Faults, states and messages of joints in words, reported where their meaning changes.

A code that repeats with every frame is reported once, an emergency message each time, as notices
which the recorder turns into events. Pure: the meaning last reported is the state, so that any
chunking reports the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.event_kind import EventKind
from logger.joint.bench.codes import CodeTable, code_table
from logger.joint.bench.layout import Frame
from logger.joint.bench.value import TextField
from logger.joint.channels import channel_named
from logger.joint.decode.raw_values import raw_values

__all__ = ["Notice", "TextPlan", "TextState", "decode_texts", "text_plan"]

_EVENT_OF_QUANTITY: Final = {"fault": EventKind.FAULT, "state": EventKind.STATE}
"""Codes whose changes are events; a count is a number like any other."""
_NO_FAULT_CODE: Final = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One report of a joint in words."""

    time_ns: int
    joint: str
    kind: EventKind
    """Fault or state."""
    channel: str
    """The channel whose code it is, or "" for a message."""
    value: float
    """The code; of a message its first part."""
    frame: str
    """Name of the frame that carried it; "" where it sums several up."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TextPlan:
    """The text fields and codes of one kind of frame."""

    name: str
    codes: Mapping[str, CodeTable]
    """Code channel that the frame carries -> its words."""
    parts: tuple[tuple[TextField, CodeTable], ...]
    on_each_frame: bool
    event: str

    def __bool__(self) -> bool:
        return bool(self.codes or self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class TextState:
    """The meaning last reported, by channel or by the name of a frame."""

    meanings: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    codes: Mapping[str, float] = field(default_factory=lambda: {"fault_code": _NO_FAULT_CODE})
    """The newest code by channel: a repeated one needs no new words."""

    def is_repeated(self, channel: str, codes: NDArray[np.float64]) -> bool:
        """Whether a channel only repeats its last report."""
        return channel in self.codes and bool((codes == self.codes[channel]).all())


def text_plan(frame: Frame) -> TextPlan:
    """Return the plan of a frame's text fields and codes."""
    return TextPlan(
        name=frame.name,
        codes={
            value.channel: code_table(
                value.names, value.flags, bits=value.bits, signed=value.signed
            )
            for value in frame.value
            if channel_named(value.channel).quantity in _EVENT_OF_QUANTITY
        },
        parts=tuple(
            (part, code_table(part.names, part.flags, bits=part.bits, signed=part.signed))
            for part in frame.part
        ),
        on_each_frame=frame.tells == "each",
        event=frame.event,
    )


def decode_texts(
    plan: TextPlan,
    state: TextState,
    *,
    joint: str,
    label: str,
    time_ns: NDArray[np.int64],
    values: Mapping[str, NDArray[np.float64]],
    data: NDArray[np.uint8],
) -> tuple[list[Notice], NDArray[np.bool_], TextState]:
    """Return the notices of n frames of one kind, which report a restart, and the state.

    Parameters
    ----------
    label
        What people call the joint.
    values
        Code channel -> decoded values of these frames, shape (n,), NaN for none.
    data
        Their payloads, uint8, shape (n, width).
    """
    notices: list[Notice] = []
    restarts = np.zeros(len(time_ns), bool)
    meanings, newest = dict(state.meanings), dict(state.codes)
    for channel, codes in plan.codes.items():
        has_code = np.flatnonzero(~np.isnan(values[channel]))
        raw = values[channel][has_code].astype(np.int64)
        previous = meanings.get(channel)
        quantity = channel_named(channel).quantity
        if previous is None and quantity == "fault":
            # "No fault" at the beginning is no notice.
            previous = (int(codes.meaning_numbers(np.array([_NO_FAULT_CODE]))[0]),)
        change_rows, last_meaning = _change_rows([codes.meaning_numbers(raw)], previous)
        if last_meaning is not None:
            meanings[channel] = last_meaning
        if len(raw):
            newest[channel] = float(raw[-1])
        notices += [
            Notice(
                time_ns=int(time_ns[has_code[row]]),
                joint=joint,
                kind=_EVENT_OF_QUANTITY[quantity],
                channel=channel,
                value=float(raw[row]),
                frame=plan.name,
                text=_code_sentence(label, channel, codes, int(raw[row])),
            )
            for row in change_rows
        ]
    if plan.parts and len(time_ns):
        raws = [raw_values(data, part) for part, _ in plan.parts]
        for (part, _), raw in zip(plan.parts, raws, strict=True):
            if part.restart is not None:
                restarts |= raw == part.restart
        key = f"frame {plan.name}"
        if plan.on_each_frame:
            change_rows = np.arange(len(time_ns))
        else:
            part_meanings = [
                codes.meaning_numbers(raw) for (_, codes), raw in zip(plan.parts, raws, strict=True)
            ]
            change_rows, last_meaning = _change_rows(part_meanings, meanings.get(key))
            if last_meaning is not None:
                meanings[key] = last_meaning
        notices += [
            Notice(
                time_ns=int(time_ns[row]),
                joint=joint,
                kind=EventKind(plan.event),
                channel="",
                value=float(raws[0][row]),
                frame=plan.name,
                text=f"{label}: {plan.name}: "
                + ", ".join(
                    f"{part.name} {codes.label(int(raw[row]))}"
                    for (part, codes), raw in zip(plan.parts, raws, strict=True)
                )
                + ".",
            )
            for row in change_rows.tolist()
        ]
    return notices, restarts, TextState(meanings=meanings, codes=newest)


def _change_rows(
    meanings: Sequence[NDArray[np.int64]], previous: tuple[int, ...] | None
) -> tuple[NDArray[np.intp], tuple[int, ...] | None]:
    """Return the rows at which the meaning changes, and the last meaning."""
    count = len(meanings[0])
    if count == 0:
        return np.empty(0, np.intp), previous
    is_changed = np.zeros(count, bool)
    for row_index, meaning in enumerate(meanings):
        is_changed[1:] |= meaning[1:] != meaning[:-1]
        is_changed[0] |= previous is None or int(meaning[0]) != previous[row_index]
    return np.flatnonzero(is_changed), tuple(int(meaning[-1]) for meaning in meanings)


def _code_sentence(label: str, channel: str, codes: CodeTable, raw: int) -> str:
    known = channel_named(channel)
    where = f"{known.place.replace('_', ' ')} " if known.place else ""
    if known.quantity == "fault":
        if raw == _NO_FAULT_CODE and not codes.names:
            return f"{label}: no {where}fault any more."
        return f"{label}: {where}fault {codes.label(raw)}."
    return f"{label}: {where or 'drive '}state {codes.label(raw)}."
