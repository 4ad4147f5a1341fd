"""The one place that asks replay for what a figure draws.

Never more than two points a bucket and never more buckets than pixels; gaps come as NaN. Reads the
recording, computes nothing but the change to shown units.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.annotations import (
    Furniture,
    LimitLine,
    NoteLine,
    alert_spans,
    gap_spans,
    limit_lines,
    note_lines,
    other_gap,
)
from dashboard.figures.axes import Pen, Planned, plan_rows
from dashboard.figures.lines import Band, Line, crowded
from dashboard.text.units import PLAIN, Displays
from logger.limits.limit import LimitSet
from replay.alignment import Laid
from replay.excursions.applied_limits import Watch, recorded
from replay.recording import Recording
from replay.window import Look, envelope, gaps

__all__ = [
    "BAND_PX",
    "Bins",
    "Row",
    "furniture_of",
    "furniture_over",
    "limit_lines_of",
    "other_pens",
    "plan_of",
    "read_band",
    "read_bins",
    "read_row",
]

Bins = NDArray[np.float64]

BAND_PX = (4, 10)
"""Buckets of a band: as fine as whole cycles fit into them, else as coarse as a cycle may be."""
PX_A_BUCKET = 2


_NEVER_NS = 2**62


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A planned row and what was read for it."""

    plan: Planned
    lines: tuple[Line | Band, ...]
    bucket_s: float
    """Length of a bucket where the row is drawn as bands, else NaN."""

    @property
    def measured(self) -> tuple[Pen, ...]:
        """Return the pens that are named in the margin: those planned, then a second one's."""
        return self.plan.measured + tuple(line.pen for line in self.lines if line.pen.other)


def plan_of(
    recording: Recording, displays: Displays = PLAIN, limits: LimitSet | None = None
) -> tuple[Planned, ...]:
    """Return the rows that a recording fills.

    `limits`: whose channels are drawn in any case; left away, those that were in force last.
    """
    judging = recording.limits if limits is None else limits
    channels = {joint: recording.channels(joint) for joint in recording.joints}
    watched = {
        joint: {
            limit.channel
            for limit in judging.for_joint(joint, carried)
            if hasattr(limit, "channel")
        }
        for joint, carried in channels.items()
    }
    return plan_rows(channels, watched, displays)


def limit_lines_of(
    recording: Recording, plan: tuple[Planned, ...], sets: tuple[tuple[int, LimitSet], ...]
) -> tuple[LimitLine, ...]:
    """Return the limit lines of a whole recording, each where it held; `sets` are its own."""
    rated = {joint: recording.bench.joint(joint).rated for joint in recording.joints}
    return limit_lines(sets, plan, rated, recording.start_ns)


def other_pens(plan: Planned, other: Recording) -> tuple[Pen, ...]:
    """Return the pens of a row that draw a second recording: what is measured in both."""
    return tuple(
        replace(pen, other=True)
        for pen in plan.measured
        if pen.joint in other.joints and pen.channel in other.channels(pen.joint)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """A recording that a row is read from."""

    recording: Recording
    zero_ns: int
    """Its instant that stands at the zero of the axis."""
    pens: tuple[Pen, ...]
    start_ns: int
    end_ns: int

    def look(self, pen: Pen) -> Look:
        """Return a look at what a pen draws."""
        return Look(self.recording, pen.joint, pen.channel, self.start_ns, self.end_ns)


def _sources(
    recording: Recording, plan: Planned, start_ns: int, end_ns: int, over: Laid | None
) -> tuple[_Source, ...]:
    first = _Source(
        recording=recording,
        zero_ns=recording.start_ns,
        pens=plan.pens,
        start_ns=start_ns,
        end_ns=end_ns,
    )
    if over is None:
        return (first,)
    later_ns = over.zero_ns - recording.start_ns
    second = _Source(
        recording=over.recording,
        zero_ns=over.zero_ns,
        pens=other_pens(plan, over.recording),
        start_ns=start_ns + later_ns,
        end_ns=end_ns + later_ns,
    )
    return first, second


def read_band(
    look: Look, pen: Pen, *, bins: int, factor: float, zero_ns: int
) -> tuple[Band, float]:
    """Return min, mean and max of `bins` buckets, and the length of a bucket in seconds.

    `zero_ns`: the instant from which x is counted.
    """
    found = look.envelope(bins=bins)
    middle = np.asarray(found.start_ns) + found.width_ns // 2
    band = Band(
        pen=pen,
        x=(middle - zero_ns) / 1e9,
        minimum=found.minimum * factor,
        maximum=found.maximum * factor,
        mean=found.mean * factor,
    )
    return band, found.width_ns / 1e9


def read_row(
    recording: Recording,
    plan: Planned,
    start_ns: int,
    end_ns: int,
    *,
    width_px: int,
    over: Laid | None = None,
) -> Row:
    """Return a row over [start_ns, end_ns): lines, or bands where its cycles are too narrow.

    A second recording that lies `over` the first is read alike, and drawn alike: where one of both
    has cycles that are too narrow, both are bands of one width.
    """
    seen = [
        (source, pen, source.look(pen))
        for source in _sources(recording, plan, start_ns, end_ns, over)
        for pen in source.pens
    ]
    # A temperature drifts and flickers by a count; it has no cycles to be told apart.
    banded = plan.quantity != "temperature" and bool(plan.measured)
    for bucket_px in BAND_PX if banded else ():
        bins = max(8, width_px // bucket_px)
        bands = [
            read_band(look, pen, bins=bins, factor=plan.factor, zero_ns=source.zero_ns)
            for source, pen, look in seen
            if not pen.setpoint
        ]
        if any(crowded(band.minimum, band.maximum, least=plan.least_room) for band, _ in bands):
            drawn = tuple(band for band, _ in bands)
            return Row(plan=plan, lines=drawn, bucket_s=bands[0][1])
    bins = max(8, width_px // PX_A_BUCKET)
    lines = tuple(
        _read_line(source, pen, look, bins=bins, factor=plan.factor) for source, pen, look in seen
    )
    return Row(plan=plan, lines=lines, bucket_s=float("nan"))


def _read_line(source: _Source, pen: Pen, look: Look, *, bins: int, factor: float) -> Line:
    time_ns, values = look.trace(bins=bins)
    if pen.other and source.recording.end_ns < source.end_ns:
        # It ends within the picture: its last value holds no further.
        time_ns = np.append(time_ns, np.int64(source.recording.end_ns))
        values = np.append(values, np.nan)
    return Line(
        pen=pen,
        x=(np.asarray(time_ns) - source.zero_ns) / 1e9,
        y=np.asarray(values, dtype=float) * factor,
    )


def read_bins(
    recording: Recording, pens: tuple[tuple[Pen, float], ...], start_ns: int, count: int, width: int
) -> Bins:
    """Return `count` bins of every pen, shape (count, pens, 3): first and second extreme, mean."""
    bins = np.full((count, len(pens), 3), np.nan)
    for index, (pen, factor) in enumerate(pens):
        found = envelope(
            recording, pen.joint, pen.channel, start_ns, start_ns + count * width, bins=count
        )
        rising = ~(abs(found.first - found.maximum) < abs(found.first - found.minimum))
        bins[:, index, 0] = np.where(rising, found.minimum, found.maximum) * factor
        bins[:, index, 1] = np.where(rising, found.maximum, found.minimum) * factor
        bins[:, index, 2] = found.mean * factor
    return bins


def furniture_of(
    recording: Recording,
    plan: tuple[Planned, ...],
    begin_ns: int,
    end_ns: int | None,
    *,
    open_gap: bool = False,
    displays: Displays = PLAIN,
    watch: Watch | None = None,
) -> Furniture:
    """Return what stands in a window of a recording.

    `end_ns` is None where the window goes on: what was just said stands a moment after the newest
    value, and belongs to the picture that comes. `watch`: what was in force and was raised; left
    away, that which was recorded.
    """
    watch = watch or recorded(recording)
    if end_ns is None:
        end_ns = _NEVER_NS
    joints = sorted({pen.joint for row in plan for pen in row.pens})
    found = {joint: list(gaps(recording, joint, begin_ns, end_ns)) for joint in joints}
    sets = watch.sets
    alerts = [
        alert
        for alert in watch.alerts
        if alert.raised_ns < end_ns and (alert.returned_ns is None or alert.returned_ns > begin_ns)
    ]
    begin_s = (begin_ns - recording.start_ns) / 1e9
    end_s = (end_ns - recording.start_ns) / 1e9
    return Furniture(
        limits=tuple(
            line for line in limit_lines_of(recording, plan, sets) if line.within(begin_s, end_s)
        ),
        alerts=alert_spans(alerts, sets, plan, recording.start_ns, displays),
        gaps=gap_spans(
            found,
            recording.start_ns,
            open_from_ns=recording.end_ns if open_gap and not recording.live else None,
            open_at_ns=recording.end_ns if open_gap else None,
        ),
        notes=tuple(
            note
            for note in note_lines(recording.events(), recording.start_ns)
            if begin_s <= note.at_s <= end_s
        ),
    )


def furniture_over(
    furniture: Furniture, over: Laid, plan: tuple[Planned, ...], *, start_s: float, end_s: float
) -> Furniture:
    """Return what stands in a window with what has to be said of a second recording over it.

    Its gaps among the joints that are drawn, where it begins and where it ends; its limits and
    alerts are its own.
    """
    other, zero_ns = over.recording, over.zero_ns
    begin_ns, end_ns = (zero_ns + round(at_s * 1e9) for at_s in (start_s, end_s))
    joints = sorted({pen.joint for row in plan for pen in other_pens(row, other)})
    found = {joint: gaps(other, joint, begin_ns, end_ns) for joint in joints}
    edges = [(other.start_ns, "other begins")]
    edges += [] if other.live else [(other.end_ns, "other ends")]
    said = tuple(
        NoteLine(at_s=(at_ns - zero_ns) / 1e9, text=words)
        for at_ns, words in edges
        if begin_ns < at_ns < end_ns
    )
    return replace(
        furniture,
        gaps=(*furniture.gaps, *(other_gap(gap) for gap in gap_spans(found, zero_ns))),
        notes=(*furniture.notes, *said),
    )
