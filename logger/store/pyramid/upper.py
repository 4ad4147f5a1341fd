"""The pyramid's upper levels: eight parts of a level become one of the next, with wider buckets.

Finer parts remain: narrow windows and the ends of spans need them. An upper part is named by the
rows that it covers, so the finer parts can replace it: one that is missing, damaged or not yet made
costs time and nothing else. A span of any length touches about eight parts per level.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import pyarrow as pa

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.errors import InputError
from logger.joint.time_weighted import Buckets, merge_buckets, resample_buckets
from logger.store.layout.files import overview_stream
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part
from logger.store.pyramid.seconds import (
    BASE_NS,
    PyramidCarry,
    buckets_of_tables,
    carry_from,
    channels_of_tables,
    overview_fault,
    overview_table,
)

__all__ = [
    "UPPER_WIDTHS_NS",
    "DamagedLeafError",
    "PyramidNode",
    "at_width",
    "build_tree",
    "coarsest_for",
    "consolidate_levels",
    "level_parts",
    "upper_level_stream",
    "vouched_parts",
]

UPPER_WIDTHS_NS: Final = (5 * BASE_NS, 60 * BASE_NS, 900 * BASE_NS, 7200 * BASE_NS)
"""Bucket widths of the upper levels; each is a multiple of the one before."""
PARTS_PER_UPPER: Final = 8
_NS_PER_MS: Final = 1_000_000


def upper_level_stream(joint: str, width_ns: int) -> str:
    """Return the same folder as a path within the recording."""
    stream = overview_stream(joint)
    if width_ns == BASE_NS:
        return stream
    is_whole_seconds = width_ns % BASE_NS == 0
    return (
        f"{stream}/width={width_ns // BASE_NS}s"
        if is_whole_seconds
        else f"{stream}/width={width_ns // _NS_PER_MS}ms"
    )


def level_parts(recording: Path, joint: str, width_ns: int, *, recording_id: str) -> list[Part]:
    """Return the parts of one level of a joint's pyramid, in order of their rows."""
    stream = upper_level_stream(joint, width_ns)
    return list_parts(recording / stream, PartOwner(recording_id, stream, overview_fault))


def consolidate_levels(recording: Path, joint: str, *, recording_id: str) -> None:
    """Write each upper part whose eight finer parts are complete.

    The newest part of the first level is left out: the next part may add to its last second.
    `recording_id`: of recording.json, which the parts state.

    Raises
    ------
    OSError
        The disk took no more; what is there is whole.
    """
    parts_below = [
        part
        for part in level_parts(recording, joint, BASE_NS, recording_id=recording_id)
        if _has_rows(part)
    ]
    parts_below = parts_below[:-1]
    below_ns = BASE_NS
    for width_ns in UPPER_WIDTHS_NS:
        stream = upper_level_stream(joint, width_ns)
        owner = PartOwner(recording_id, stream, overview_fault)
        written_parts = list_parts(recording / stream, owner)
        done_row = written_parts[-1].end_row if written_parts else 0
        pending_parts = [part for part in parts_below if part.first_row >= done_row]
        while len(pending_parts) >= PARTS_PER_UPPER:
            group, pending_parts = pending_parts[:PARTS_PER_UPPER], pending_parts[PARTS_PER_UPPER:]
            if any(part.verify_part() for part in group) or not _are_contiguous(group):
                # These eight are never joined, and are read one by one; the next eight may be.
                continue
            table = _upper_table(group, below_ns=below_ns, width_ns=width_ns)
            rows = group[0].first_row, group[-1].end_row
            path = write_part(
                recording / stream, table, first_row=rows[0], end_row=rows[1], owner=owner
            )
            written_parts.append(Part(path, *rows, owner))
        parts_below, below_ns = written_parts, width_ns


def _has_rows(part: Part) -> bool:
    return part.end_row > part.first_row


def _are_contiguous(parts: Sequence[Part]) -> bool:
    return all(previous.end_row == following.first_row for previous, following in pairwise(parts))


def _upper_table(group: Sequence[Part], *, below_ns: int, width_ns: int) -> pa.Table:
    """Return the buckets of neighbouring finer parts at a wider width."""
    tables = [table for part in group if (table := part.read_whole()) is not None]
    carries = [carry_from(part.metadata) for part in group]
    buckets: dict[str, Buckets] = {}
    for channel in channels_of_tables(tables):
        channel_buckets = buckets_of_tables(tables, channel, width_ns=below_ns)
        if len(channel_buckets):
            buckets[channel] = resample_buckets(channel_buckets, width_ns)
    gaps = tuple(gap for carry in carries for gap in carry.gaps)
    vouches = below_ns == BASE_NS or all(carry.vouches for carry in carries)
    return overview_table(buckets, PyramidCarry(gaps=gaps if vouches else (), vouches=vouches))


@dataclass(frozen=True, slots=True)
class PyramidNode:
    """One part of the pyramid, and the finer parts that cover the same rows."""

    width_ns: int
    part: Part
    children: tuple["PyramidNode", ...] = ()

    @property
    def start_ns(self) -> int:
        """Start of its first bucket; `TIME_MAX_NS` when it has none."""
        spans = self.part.spans
        return spans[0][0] if spans else TIME_MAX_NS

    @property
    def end_ns(self) -> int:
        """End of its last bucket; `TIME_MIN_NS` when it has none."""
        spans = self.part.spans
        return spans[-1][1] + self.width_ns if spans else TIME_MIN_NS


class DamagedLeafError(InputError):
    """A part of the first level cannot be read that an upper one vouched for: it was damaged since.

    Its rows are there, and are read in its place once the pyramid was listed part by part.
    """


def build_tree(base: Sequence[Part], upper: Sequence[Sequence[Part]]) -> tuple[PyramidNode, ...]:
    """Return the roots of the pyramid over the parts of the first level, in order of their rows.

    By the names of the parts: none is opened. `upper`: the parts of each further level. A part that
    does not cover whole finer parts is ignored.
    """
    nodes = tuple(PyramidNode(BASE_NS, part) for part in base)
    for width_ns, parts in zip(UPPER_WIDTHS_NS, upper, strict=True):
        child_indices = [
            (child_index, node.part)
            for child_index, node in enumerate(nodes)
            if _has_rows(node.part)
        ]
        starts = {part.first_row: child_index for child_index, part in child_indices}
        ends = {part.end_row: child_index for child_index, part in child_indices}
        next_nodes: list[PyramidNode] = []
        index = 0
        for part in parts:
            first, last = starts.get(part.first_row), ends.get(part.end_row)
            if first is None or last is None or first < index or last < first:
                continue
            next_nodes += nodes[index:first]
            next_nodes.append(PyramidNode(width_ns, part, nodes[first : last + 1]))
            index = last + 1
        nodes = (*next_nodes, *nodes[index:])
    return nodes


def vouched_parts(
    base: Sequence[Part], nodes: Sequence[PyramidNode]
) -> tuple[list[Part], list[tuple[int, int]]]:
    """Return the parts of the first level that are known to be whole, and the gaps within them.

    Up to the first that is damaged. Only those are opened for which no upper part vouches.
    """
    whole: list[Part] = []
    gaps: list[tuple[int, int]] = []
    waiting = list(reversed(nodes))
    while waiting:
        node = waiting.pop()
        if node.part.verify_error:
            if not node.children:
                break
            waiting += reversed(node.children)
            continue
        carry = carry_from(node.part.metadata)
        if node.children and not carry.vouches:
            waiting += reversed(node.children)
            continue
        gaps += carry.gaps
        if not node.children:
            whole.append(node.part)
        else:
            end_row = node.part.end_row
            while len(whole) < len(base) and base[len(whole)].end_row <= end_row:
                whole.append(base[len(whole)])
    return whole, gaps


def coarsest_for(
    nodes: Sequence[PyramidNode], *, start_ns: int, end_ns: int, width_ns: int, counted_ns: int
) -> Iterator[PyramidNode]:
    """Yield the coarsest parts that give buckets of `width_ns` over [start_ns, end_ns), in order.

    A part whose buckets end after `counted_ns`, from where on raw rows are read, is replaced by the
    first level under it: its buckets may be cut at that edge. So is one that is damaged.

    Raises
    ------
    DamagedLeafError
        A part of the first level was damaged since an upper one was made of it.
    """
    for node in nodes:
        is_damaged = node.part.verify_error
        if is_damaged and not node.children:
            raise DamagedLeafError(f"{node.part.location}: this part is damaged ({is_damaged}).")
        if not is_damaged and (node.end_ns <= start_ns or node.start_ns >= end_ns):
            continue
        is_usable = width_ns % node.width_ns == 0 and node.end_ns <= counted_ns
        if not node.children or (is_usable and not is_damaged):
            yield node
        else:
            yield from coarsest_for(
                node.children,
                start_ns=start_ns,
                end_ns=end_ns,
                width_ns=width_ns,
                counted_ns=counted_ns,
            )


def at_width(parts: Sequence[Buckets], width_ns: int) -> Buckets:
    """Return buckets of several widths, in order of time, at one width that all of them divide."""
    non_empty = [resample_buckets(part, width_ns) for part in parts if len(part)]
    return merge_buckets(non_empty) if non_empty else Buckets.empty(width_ns)
