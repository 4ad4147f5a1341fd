"""The pyramid's upper levels: eight parts of a level become one of the next, with wider buckets.

Finer parts stay: narrow windows and the ends of spans need them. An upper part is named by the rows
that it tells of, so what it stands for is known without it: one that is missing, damaged or not yet
made costs time and nothing else. A span of any length touches about eight parts a level.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

from logger.joint.time_weighted import Buckets, merged, regrouped
from logger.store.layout.files import overview_stream
from logger.store.parts.part import Part, list_parts, write_part
from logger.store.pyramid.seconds import BASE_NS, Carry, buckets_from, channels_in, overview_table

__all__ = [
    "UPPER_NS",
    "Node",
    "chosen",
    "consolidate",
    "joined",
    "level_folder",
    "level_stream",
    "tree",
]

UPPER_NS: Final = (5 * BASE_NS, 60 * BASE_NS, 900 * BASE_NS)
"""Bucket widths of the upper levels; each is a multiple of the one before."""
FAN: Final = 8
_MS: Final = 1_000_000


def level_folder(recording: Path, joint: str, width_ns: int) -> Path:
    """Return the folder of one level of a joint's pyramid."""
    return recording / level_stream(joint, width_ns)


def level_stream(joint: str, width_ns: int) -> str:
    """Return the same folder as it is called within a recording."""
    stream = overview_stream(joint)
    if width_ns == BASE_NS:
        return stream
    whole = width_ns % BASE_NS == 0
    return (
        f"{stream}/width={width_ns // BASE_NS}s" if whole else f"{stream}/width={width_ns // _MS}ms"
    )


def consolidate(recording: Path, joint: str) -> None:
    """Make the upper parts whose time has come.

    The newest part of the first level is left out: a second in it may still be counted on.

    Raises
    ------
    OSError
        The disk took no more; what is there is whole.
    """
    below = [part for part in list_parts(level_folder(recording, joint, BASE_NS)) if _rows(part)]
    below = below[:-1]
    below_ns = BASE_NS
    for width_ns in UPPER_NS:
        folder = level_folder(recording, joint, width_ns)
        made = list_parts(folder)
        done = made[-1].end_row if made else 0
        waiting = [part for part in below if part.first_row >= done]
        while len(waiting) >= FAN:
            group, waiting = waiting[:FAN], waiting[FAN:]
            if any(part.verify() for part in group) or not _contiguous(group):
                # They are read one by one for good; the next eight are another matter.
                continue
            path = _write(folder, group, below_ns=below_ns, width_ns=width_ns)
            made.append(Part(place=path, first_row=group[0].first_row, end_row=group[-1].end_row))
        below, below_ns = made, width_ns


def _rows(part: Part) -> bool:
    return part.end_row > part.first_row


def _contiguous(parts: Sequence[Part]) -> bool:
    return all(before.end_row == after.first_row for before, after in pairwise(parts))


def _write(folder: Path, group: Sequence[Part], *, below_ns: int, width_ns: int) -> Path:
    tables = [
        table for part in group if (table := part.read(start_ns=-(2**62), end_ns=2**62)) is not None
    ]
    buckets: dict[str, Buckets] = {}
    for channel in channels_in(tables):
        found = buckets_from(tables, channel, width_ns=below_ns)
        if len(found):
            buckets[channel] = regrouped(found, width_ns)
    return write_part(
        folder,
        overview_table(buckets, Carry()),
        first_row=group[0].first_row,
        end_row=group[-1].end_row,
    )


@dataclass(frozen=True, slots=True)
class Node:
    """One part of the pyramid, and the finer parts that tell of the same rows."""

    width_ns: int
    part: Part
    start_ns: int
    """Where its first bucket begins."""
    end_ns: int
    """Where its last bucket ends; before everything when it has none."""
    children: tuple["Node", ...] = ()


def _node(width_ns: int, part: Part, children: tuple[Node, ...] = ()) -> Node:
    spans = part.spans
    start_ns, end_ns = (spans[0][0], spans[-1][1] + width_ns) if spans else (2**62, -(2**62))
    return Node(width_ns, part, start_ns, end_ns, children)


def tree(base: Sequence[Part], upper: Sequence[Sequence[Part]]) -> tuple[Node, ...]:
    """Return the pyramid over parts of the first level, in order of their rows.

    `upper` holds the parts of each further level. One that does not stand for whole finer parts, or
    is damaged, is passed over.
    """
    nodes = tuple(_node(BASE_NS, part) for part in base)
    for width_ns, parts in zip(UPPER_NS, upper, strict=True):
        places = [(place, node.part) for place, node in enumerate(nodes) if _rows(node.part)]
        starts = {part.first_row: place for place, part in places}
        ends = {part.end_row: place for place, part in places}
        grown: list[Node] = []
        at = 0
        for part in parts:
            first, last = starts.get(part.first_row), ends.get(part.end_row)
            if first is None or last is None or first < at or last < first or part.damage:
                continue
            grown += nodes[at:first]
            grown.append(_node(width_ns, part, nodes[first : last + 1]))
            at = last + 1
        nodes = (*grown, *nodes[at:])
    return nodes


def chosen(
    nodes: Sequence[Node], *, start_ns: int, end_ns: int, width_ns: int, counted_ns: int
) -> Iterator[Node]:
    """Yield the coarsest parts that give buckets of `width_ns` over [start_ns, end_ns), in order.

    What reaches beyond `counted_ns`, from where on raw rows are read, is told by the first level.
    """
    for node in nodes:
        if node.end_ns <= start_ns or node.start_ns >= end_ns:
            continue
        fits = width_ns % node.width_ns == 0 and node.end_ns <= counted_ns
        if fits or not node.children:
            yield node
        else:
            yield from chosen(
                node.children,
                start_ns=start_ns,
                end_ns=end_ns,
                width_ns=width_ns,
                counted_ns=counted_ns,
            )


def joined(parts: Sequence[Buckets], width_ns: int) -> Buckets:
    """Return buckets of several widths, in order of time, at one width that they all divide."""
    filled = [regrouped(part, width_ns) for part in parts if len(part)]
    return merged(filled) if filled else Buckets.none(width_ns)
