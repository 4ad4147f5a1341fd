"""Dispatch: identifier, bus and distinguishing fields of a frame -> the number of its match.

Where each kind on an identifier is determined by the whole identifier and at most one byte of the
payload, one search and one table lookup serve all frames at once. The rest, and layouts with masks
or several distinguishing bytes, are compared match by match. A frame without a match is counted
under its reason, never an exception. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import Bench
from logger.joint.bench.frame_match import MAX_PAYLOAD_BYTES, FrameMatch
from logger.joint.bench.identifiers import MAX_STANDARD_ID, identifier_for
from logger.joint.decode.checksums import (
    CHECKSUM_WRONG,
    ChecksumPlan,
    drop_damaged,
    plan_checksums,
)
from logger.joint.decode.lost_frames import CounterPlan, plan_counters

__all__ = [
    "REQUEST_NUMBER",
    "DispatchTable",
    "KnownRequest",
    "bench_dispatch_table",
    "dispatch_frames",
    "dispatch_table",
    "reject_reasons",
]

REQUEST_NUMBER: Final = -2
"""Match number of a request of a layout: it is decoded for no joint."""

_NO_DATA_FLAGS: Final = REMOTE | ERROR | SENT
_STANDARD_PLACES: Final = MAX_STANDARD_ID + 2
_BUS_SHIFT: Final = np.uint64(32)
_EXTENDED_SHIFT: Final = np.uint64(31)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownRequest:
    """A request that a controller sends a joint."""

    bus: int
    extended: bool
    identifier: int
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class DispatchTable:
    """All frame matches of a bench, and the tables that find the match of most frames."""

    frame_matches: tuple[FrameMatch, ...]
    requests: tuple[KnownRequest, ...]
    keys: NDArray[np.uint64]
    """The identifiers that are matched whole, sorted; bus and 29-bit flag in the bits above."""
    by_byte: NDArray[np.intp]
    """Shape (keys + 1, 256): match number by the distinguishing byte, -1 for none."""
    selector_bytes: NDArray[np.intp] | None
    """Shape (keys + 1,): index of that byte; None: 0 for all."""
    min_lengths: NDArray[np.uint8]
    """The least bytes of a frame of each match."""
    standard: NDArray[np.intp]
    """Shape (buses + 1, 2049): where the row of `by_byte` begins for an 11-bit identifier of a bus;
    that of the last row, which has no match, for an identifier that is not matched or has more
    bits, and for any bus beyond."""
    longest: int
    """The most bytes that a frame of any match has at least."""
    checksums: tuple[ChecksumPlan, ...] = ()
    """How frames are known to be damaged."""
    counters: tuple[CounterPlan, ...] = ()
    """How lost frames are known."""

    @property
    def number_by_match(self) -> dict[FrameMatch, int]:
        """Match -> its number; of equal matches the first."""
        return {match: number for number, match in reversed(list(enumerate(self.frame_matches)))}


def bench_dispatch_table(bench: Bench) -> DispatchTable:
    """Return the table of a bench: its joints' frames in order, and the requests of its layouts."""
    return dispatch_table(
        [match for joint in bench.joints for match in bench.frame_matches_of(joint)],
        [
            KnownRequest(
                bus=bench.bus_of(joint),
                extended=request.extended,
                identifier=identifier_for(
                    request.identifier, joint.node, extended=request.extended, where=joint.name
                ),
                data=bytes.fromhex(request.data),
            )
            for joint in bench.joints
            for request in bench.layout_of(joint).request
        ],
    )


def dispatch_table(
    frame_matches: Sequence[FrameMatch], requests: Sequence[KnownRequest] = ()
) -> DispatchTable:
    """Return the table of some matches, which are numbered in their order.

    Of equal matches (shared frames) the first has the number.
    """
    groups: dict[int, list[int]] = {}
    for number, match in enumerate(frame_matches):
        if match.is_complete:
            groups.setdefault(_identifier_key(match), []).append(number)
    keys = sorted(key for key, group in groups.items() if _selector_table(frame_matches, group))
    by_byte = np.full((len(keys) + 1, 256), -1, np.intp)
    selector_bytes = np.zeros(len(keys) + 1, np.intp)
    all_bytes = np.arange(256)
    for row, key in enumerate(keys):
        for number in reversed(groups[key]):
            match = frame_matches[number]
            byte_index = match.distinguishing_bytes[0] if match.distinguishing_bytes else 0
            if match.distinguishing_bytes:
                selector_bytes[row] = byte_index
                is_fitting = (all_bytes & match.bits[byte_index]) == match.expected[byte_index]
                by_byte[row, is_fitting] = number
            else:
                by_byte[row] = number
    buses = max((match.bus for match in frame_matches), default=0) + 1
    standard = np.full((buses + 1, _STANDARD_PLACES), len(keys) * 256, np.intp)
    for row, key in enumerate(keys):
        bus, identifier = divmod(key, 1 << int(_BUS_SHIFT))
        if identifier <= MAX_STANDARD_ID:
            standard[bus, identifier] = row * 256
    return DispatchTable(
        frame_matches=tuple(frame_matches),
        requests=tuple(requests),
        keys=np.array(keys, np.uint64),
        by_byte=by_byte,
        selector_bytes=selector_bytes if selector_bytes.any() else None,
        min_lengths=np.array([match.length for match in frame_matches], np.uint8),
        standard=standard,
        longest=max((match.length for match in frame_matches), default=0),
        checksums=plan_checksums(frame_matches),
        counters=plan_counters(frame_matches),
    )


def _selector_table(frame_matches: Sequence[FrameMatch], group: Sequence[int]) -> bool:
    byte_indices = {frame_matches[number].distinguishing_bytes for number in group} - {()}
    return (
        len(byte_indices) <= 1
        and all(len(distinguishing) == 1 for distinguishing in byte_indices)
        and all(frame_matches[number].max_length == MAX_PAYLOAD_BYTES for number in group)
    )


def _identifier_key(match: FrameMatch) -> int:
    return match.bus << int(_BUS_SHIFT) | match.extended << int(_EXTENDED_SHIFT) | match.identifier


def dispatch_frames(
    plan: DispatchTable, frames: FrameBatch
) -> tuple[NDArray[np.intp], dict[str, int]]:
    """Return the match number of each frame, -1 for none, and the reasons of those without.

    Returns
    -------
    match_number, rejected
        intp, shape (n,); and for each reason in words how many frames. A frame that this program
        sent has no match and is not rejected; nor is a request of a layout, `REQUEST_NUMBER`.
    """
    match_number = _dispatch_by_table(plan, frames)
    if len(frames) == 0 or match_number[match_number.argmin()] >= 0:
        return match_number, {}
    unmatched = (match_number < 0).nonzero()[0]
    match_number[unmatched], reasons = _dispatch_by_match(plan, frames.select_rows(unmatched))
    counts = {reason: int(np.count_nonzero(rows)) for reason, rows in reasons.items()}
    return match_number, {reason: count for reason, count in counts.items() if count}


def reject_reasons(plan: DispatchTable, frames: FrameBatch) -> dict[str, NDArray[np.bool_]]:
    """Return for each reason in words a mask, shape (n,), of the frames rejected for it."""
    match_number, reasons = _dispatch_by_match(plan, frames)
    is_damaged = np.zeros(len(frames), bool)
    is_damaged[drop_damaged(plan.checksums, frames, match_number).rows] = True
    return {**reasons, CHECKSUM_WRONG: is_damaged}


def _dispatch_by_table(plan: DispatchTable, frames: FrameBatch) -> NDArray[np.intp]:
    if len(plan.keys) == 0 or len(frames) == 0:
        return np.full(len(frames), -1, np.intp)
    is_data = np.count_nonzero(frames.flags) == 0
    if is_data:
        if np.count_nonzero(frames.bus):
            place = np.minimum(frames.identifier, _STANDARD_PLACES - 1).astype(np.intp)
            place += np.minimum(frames.bus, len(plan.standard) - 1) * np.intp(_STANDARD_PLACES)
            begins = plan.standard.reshape(-1)[place]
        else:
            begins = plan.standard[0].take(frames.identifier, mode="clip")
    else:
        key = frames.identifier.astype(np.uint64)
        key |= ((frames.flags & EXTENDED) != 0).astype(np.uint64) << _EXTENDED_SHIFT
        key |= frames.bus.astype(np.uint64) << _BUS_SHIFT
        key_index = np.searchsorted(plan.keys, key)
        np.minimum(key_index, len(plan.keys) - 1, out=key_index)
        row = np.where(plan.keys[key_index] == key, key_index, len(plan.keys))
        begins = row * 256
    width = frames.data.shape[1]
    if plan.selector_bytes is None:
        byte = frames.data[:, 0]
    else:
        # A place beyond what the batch holds is one that no frame of it reaches: too short below.
        byte_index = np.minimum(plan.selector_bytes[begins >> 8], width - 1)
        byte = frames.data[np.arange(len(frames)), byte_index]
    begins += byte.astype(np.intp)
    match_number: NDArray[np.intp] = plan.by_byte.reshape(-1)[begins]
    # Whatever a frame calls its length, it has no more bytes than the batch holds.
    length = frames.length if plan.longest <= width else np.minimum(frames.length, width)
    is_misfit = length < plan.min_lengths[match_number]
    if not is_data:
        is_misfit |= (frames.flags & _NO_DATA_FLAGS) != 0
    if np.count_nonzero(is_misfit):
        match_number[is_misfit] = -1
    return match_number


def _dispatch_by_match(
    plan: DispatchTable, frames: FrameBatch
) -> tuple[NDArray[np.intp], dict[str, NDArray[np.bool_]]]:
    match_number = np.full(len(frames), -1, np.intp)
    data_frame = (frames.flags & _NO_DATA_FLAGS) == 0
    extended = (frames.flags & EXTENDED) != 0
    width = frames.data.shape[1]
    length = np.minimum(frames.length, width)
    is_matched = np.zeros(len(frames), bool)
    same_beginning = np.zeros(len(frames), bool)
    long_enough = np.zeros(len(frames), bool)
    for number, match in reversed(list(enumerate(plan.frame_matches))):
        is_fitting = data_frame & ((frames.identifier & match.mask) == match.identifier)
        is_fitting &= (extended == match.extended) & (frames.bus == match.bus)
        is_matched |= is_fitting
        if not is_fitting.any():
            continue
        for byte_index in match.distinguishing_bytes:
            is_fitting &= length > byte_index
            if byte_index < width and is_fitting.any():
                is_fitting &= (
                    frames.data[:, byte_index] & match.bits[byte_index]
                ) == match.expected[byte_index]
        same_beginning |= is_fitting
        is_fitting &= length >= match.length
        long_enough |= is_fitting
        is_fitting &= length <= match.max_length
        match_number[is_fitting] = number
    for request in plan.requests:
        if len(request.data) > width:
            continue
        is_fitting = (match_number < 0) & data_frame & (frames.identifier == request.identifier)
        is_fitting &= (extended == request.extended) & (frames.bus == request.bus)
        is_fitting &= length == len(request.data)
        for byte_index, expected in enumerate(request.data):
            is_fitting &= frames.data[:, byte_index] == expected
        match_number[is_fitting] = REQUEST_NUMBER
    unmatched = match_number == -1
    return match_number, {
        # An adapter may mark a frame as several; it is counted once.
        "remote frame": (frames.flags & _NO_DATA_FLAGS) == REMOTE,
        "error frame": (frames.flags & (ERROR | SENT)) == ERROR,
        "identifier of no joint": data_frame & unmatched & ~is_matched,
        "leading bytes of no frame": unmatched & is_matched & ~same_beginning,
        "too short": unmatched & same_beginning & ~long_enough,
        "too long": unmatched & long_enough,
    }
