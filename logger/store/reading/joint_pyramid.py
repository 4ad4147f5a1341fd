"""The parts of a joint's pyramid that can be read, and the buckets in them.

Immutable, so that a reader can hand it to several threads: whenever parts are added, a new one is
made.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from logger.joint.time_weighted import Buckets, resample_buckets
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.files import overview_stream
from logger.store.layout.remote import Location
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, read_footers, relisted
from logger.store.pyramid.seconds import (
    PyramidCarry,
    bucket_columns,
    buckets_of_tables,
    carry_from,
    overview_fault,
)
from logger.store.pyramid.tenths import TENTH_NS, read_tenths
from logger.store.pyramid.upper import (
    UPPER_WIDTHS_NS,
    PyramidNode,
    build_tree,
    coarsest_for,
    upper_level_stream,
    vouched_parts,
)

__all__ = ["JointPyramid", "list_pyramid"]

_RESAMPLED_CACHE: Final[ByteLruCache[Buckets]] = ByteLruCache(max_bytes=3 << 20)
"""Buckets of whole parts at the width of a window, of all recordings that are open.

Finer parts end a long span, with hundreds of rows where the window shows one bucket: their columns,
of all channels, would not stay in the cache of chunks until they are asked for again."""
_ARRAY_BYTES: Final = 150
"""Approximate overhead of an array that is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPyramid:
    """The levels of one joint, each in order of its rows."""

    seconds: tuple[Part, ...] = ()
    """The parts of the first level that cover sealed rows, up to the first hole."""
    upper: tuple[tuple[Part, ...], ...] = ((),) * len(UPPER_WIDTHS_NS)
    """The parts of each level of wider buckets, in the order of `UPPER_WIDTHS_NS`."""
    tenths: tuple[Part, ...] = ()
    nodes: tuple[PyramidNode, ...] = ()
    """First and upper levels as a tree, from which a window takes the coarsest that fit."""
    carry: PyramidCarry = field(default_factory=PyramidCarry)
    """The newest values, which the first level has not counted yet."""
    gaps: tuple[tuple[int, int], ...] = ()
    """Gaps within the rows that the first level covers, as (start_ns, end_ns)."""

    @property
    def end_row(self) -> int:
        """The number after that of the last row that the first level covers."""
        return self.seconds[-1].end_row if self.seconds else 0

    def buckets(
        self, channel: str, *, start_ns: int, end_ns: int, width_ns: int, counted_ns: int
    ) -> Iterator[Buckets]:
        """Yield the buckets of a channel that touch [start_ns, end_ns), part by part.

        Each part has a width of its own, which divides `width_ns`. For the parameters see
        `coarsest_for`.
        """
        for node in coarsest_for(
            self.nodes, start_ns=start_ns, end_ns=end_ns, width_ns=width_ns, counted_ns=counted_ns
        ):
            is_whole = start_ns <= node.start_ns and node.end_ns <= end_ns
            if is_whole and node.width_ns < width_ns:
                found = _RESAMPLED_CACHE.get_or_make(
                    (node.part.number, channel, width_ns),
                    partial(_resampled, node, channel, width_ns),
                    _size_bytes,
                )
            else:
                found = _read_buckets(node, channel, start_ns=start_ns, end_ns=end_ns)
            if len(found):
                yield found

    def tenths_of(self, channel: str, *, start_ns: int, end_ns: int) -> tuple[Buckets, int]:
        """Return the tenths of a second that touch a span, and up to where they are right.

        See `read_tenths`.
        """
        if not self.tenths:
            return Buckets.empty(TENTH_NS), 0
        return read_tenths(self.seconds, self.tenths, channel, start_ns=start_ns, end_ns=end_ns)


def _read_buckets(node: PyramidNode, channel: str, *, start_ns: int, end_ns: int) -> Buckets:
    """Return the buckets of a part that touch [start_ns, end_ns), at its own width."""
    table = node.part.read_span(
        # A bucket that began before the span may reach into it.
        start_ns=start_ns - node.width_ns + 1,
        end_ns=end_ns,
        columns=["time", *bucket_columns(channel)],
    )
    tables = [] if table is None else [table]
    return buckets_of_tables(tables, channel, width_ns=node.width_ns)


def _resampled(node: PyramidNode, channel: str, width_ns: int) -> Buckets:
    """Return all buckets of a part at a wider width."""
    own = _read_buckets(node, channel, start_ns=node.start_ns, end_ns=node.end_ns)
    return resample_buckets(own, width_ns)


def _size_bytes(buckets: Buckets) -> int:
    columns = (buckets.start_ns, *buckets.value_columns().values())
    return sum(column.nbytes + _ARRAY_BYTES for column in columns)


def list_pyramid(
    recording: Location,
    joint: str,
    rows: Sequence[Part],
    *,
    previous: JointPyramid,
    recording_id: str,
    trusting: bool = True,
) -> JointPyramid:
    """Return a joint's pyramid as it is on the disk now.

    Parameters
    ----------
    rows
        The parts of the joint's readings.
    previous
        The pyramid of the last listing: its parts, with the footers that were read, are kept.
    recording_id
        Of recording.json, which the parts have to state.
    trusting
        Take the word of an upper part that those below it are whole; False: open each of them.
    """

    def listed_again(level: Sequence[Part], stream: str) -> list[Part]:
        return relisted(level, recording / stream, PartOwner(recording_id, stream, overview_fault))

    listed = listed_again(previous.seconds, overview_stream(joint))
    upper = [
        listed_again(level, upper_level_stream(joint, width_ns))
        for level, width_ns in zip(previous.upper, UPPER_WIDTHS_NS, strict=True)
    ]
    named, closing = _overviews_of(rows, listed)
    tree = build_tree(named, upper if trusting else [()] * len(upper))
    # At an address they come side by side.
    read_footers(node.part for node in tree)
    seconds, gaps = vouched_parts(named, tree)
    if len(seconds) < len(named):
        closing = None
    if closing is not None and not closing.verify_error:
        seconds.append(closing)
        gaps += carry_from(closing.metadata).gaps
    return JointPyramid(
        seconds=tuple(seconds),
        upper=tuple(tuple(level) for level in upper),
        tenths=tuple(listed_again(previous.tenths, upper_level_stream(joint, TENTH_NS))),
        nodes=build_tree(seconds, upper),
        carry=carry_from(seconds[-1].metadata) if seconds else PyramidCarry(),
        gaps=tuple(gaps),
    )


def _overviews_of(
    rows: Sequence[Part], overviews: Sequence[Part]
) -> tuple[list[Part], Part | None]:
    """Return the first-level parts of sealed rows, by their names, up to the first that is missing.

    And the one without rows that counts what was still carried at the end of the recording. A part
    whose rows are not sealed (yet) covers rows of the journal. After a hole the rows themselves
    have to be read, because the value that the lost part carried is unknown.
    """
    by_rows = {(part.first_row, part.end_row): part for part in overviews}
    covering: list[Part] = []
    for part in rows:
        overview = by_rows.get((part.first_row, part.end_row))
        if overview is None:
            return covering, None
        covering.append(overview)
    end = rows[-1].end_row if rows else 0
    return covering, by_rows.get((end, end))
