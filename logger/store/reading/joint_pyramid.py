"""Which parts of a joint's pyramid can be asked, and what they tell.

One is made anew whenever parts have come, and never changes: a reader hands it to several threads.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from logger.joint.time_weighted import Buckets
from logger.store.layout.files import overview_stream
from logger.store.layout.remote import Location
from logger.store.parts.part import Part, read_footers, relisted
from logger.store.pyramid.seconds import PyramidCarry, bucket_columns, buckets_of_tables, carry_from
from logger.store.pyramid.tenths import TENTH_NS, read_tenths
from logger.store.pyramid.upper import (
    UPPER_WIDTHS_NS,
    PyramidNode,
    build_tree,
    coarsest_for,
    upper_level_stream,
)

__all__ = ["JointPyramid", "list_pyramid"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPyramid:
    """The levels of one joint, each in order of its rows."""

    seconds: tuple[Part, ...] = ()
    """The parts of the first level that tell of sealed rows, up to the first hole."""
    upper: tuple[tuple[Part, ...], ...] = ((),) * len(UPPER_WIDTHS_NS)
    tenths: tuple[Part, ...] = ()
    nodes: tuple[PyramidNode, ...] = ()
    carry: PyramidCarry = field(default_factory=PyramidCarry)
    """What the first level has not counted yet."""
    gaps: tuple[tuple[int, int], ...] = ()
    """Gaps within the rows that the first level tells of, as (start_ns, end_ns)."""

    @property
    def end_row(self) -> int:
        """The number behind that of the last row that the first level tells of."""
        return self.seconds[-1].end_row if self.seconds else 0

    def buckets(
        self, channel: str, *, start_ns: int, end_ns: int, width_ns: int, counted_ns: int
    ) -> Iterator[Buckets]:
        """Yield the buckets of a channel that touch a span, a part at a time, of several widths."""
        for node in coarsest_for(
            self.nodes, start_ns=start_ns, end_ns=end_ns, width_ns=width_ns, counted_ns=counted_ns
        ):
            table = node.part.read_span(
                # A bucket that began before the span may reach into it.
                start_ns=start_ns - node.width_ns + 1,
                end_ns=end_ns,
                columns=["time", *bucket_columns(channel)],
            )
            if table is not None and f"{channel}.n" in table.column_names:
                yield buckets_of_tables([table], channel, width_ns=node.width_ns)

    def tenths_of(self, channel: str, *, start_ns: int, end_ns: int) -> tuple[Buckets, int]:
        """Return the tenths of a second that touch a span, and up to where: see `read_tenths`."""
        if not self.tenths:
            return Buckets.empty(TENTH_NS), 0
        return read_tenths(self.seconds, self.tenths, channel, start_ns=start_ns, end_ns=end_ns)


def list_pyramid(
    recording: Location, joint: str, rows: Sequence[Part], *, before: JointPyramid
) -> JointPyramid:
    """Return a joint's pyramid as it lies there now.

    `rows`: the parts of its readings; `before`: whose parts, as far as they are there still, keep
    what is known of them.
    """
    known = relisted(before.seconds, recording / overview_stream(joint))
    read_footers(known)
    seconds = _overviews_of(rows, known)
    upper = [
        relisted(level, recording / upper_level_stream(joint, width_ns))
        for level, width_ns in zip(before.upper, UPPER_WIDTHS_NS, strict=True)
    ]
    read_footers(part for level in upper for part in level)
    carries = [carry_from(part.metadata) for part in seconds]
    return JointPyramid(
        seconds=tuple(seconds),
        upper=tuple(tuple(level) for level in upper),
        tenths=tuple(relisted(before.tenths, recording / upper_level_stream(joint, TENTH_NS))),
        nodes=build_tree(seconds, upper),
        carry=carries[-1] if carries else PyramidCarry(),
        gaps=tuple(gap for carry in carries for gap in carry.gaps),
    )


def _overviews_of(rows: Sequence[Part], overviews: Sequence[Part]) -> list[Part]:
    """Return the overviews of sealed rows, up to the first that is missing or damaged.

    One whose rows are not sealed (yet) tells of rows that the journal holds; behind a hole only the
    rows themselves can be asked, for what the lost one carried is not known.
    """
    by_rows = {(part.first_row, part.end_row): part for part in overviews}
    covering: list[Part] = []
    for part in rows:
        overview = by_rows.get((part.first_row, part.end_row))
        if overview is None or overview.verify_error:
            return covering
        covering.append(overview)
    # What was still carried at the end of the recording.
    end = rows[-1].end_row if rows else 0
    closing = by_rows.get((end, end))
    return covering if closing is None or closing.verify_error else [*covering, closing]
