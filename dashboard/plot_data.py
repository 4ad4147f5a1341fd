"""Plot data: the lines, bands and annotations of a figure, read from a recording.

The only code that reads recordings for figures; `figures` itself is pure. A bucket is at most two
pixels wide and has at most two points of a line; gaps are NaN. Computes nothing but the conversion
to displayed units.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dashboard.drawn_joints import limited_channels
from dashboard.figures.annotations import (
    Annotations,
    LimitLine,
    NoteLine,
    alert_spans,
    gap_spans,
    limit_lines,
    note_lines,
    other_gap,
)
from dashboard.figures.axes import Pen, PlotRow, plan_rows
from dashboard.figures.lines import Band, Line
from dashboard.figures.pens import Pens
from dashboard.figures.rows import ReadRow
from dashboard.position_breaks import NO_BREAKS, PositionBreaks, position_breaks
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from logger.arrays import TIME_MAX_NS
from logger.limits.limit import LimitSet
from replay.alignment import Overlay
from replay.cycles import are_cycles_narrow, group_extremes
from replay.excursions.applied_limits import AppliedLimits, recorded_limits
from replay.recording import Recording
from replay.window import (
    ChannelWindow,
    bin_width_ns,
    gaps_within,
    widest_bin_ns,
)

__all__ = [
    "BUCKET_PX",
    "Bins",
    "add_overlay_annotations",
    "fine_bins",
    "has_narrow_cycles",
    "other_pens",
    "plan_recording_rows",
    "read_annotations",
    "read_band",
    "read_rows",
    "recording_limit_lines",
]

Bins = NDArray[np.float64]

BUCKET_PX: Final = 2
"""No bucket is wider: what is drawn wider than a pen is read as a course that was not measured."""


def plan_recording_rows(
    recording: Recording,
    displays: Displays = DEFAULT_DISPLAYS,
    limits: LimitSet | None = None,
    pens: Pens | None = None,
) -> tuple[PlotRow, ...]:
    """Return the rows of a recording's figure.

    Parameters
    ----------
    limits
        Of several temperatures the one with a limit is drawn; None: the newest in force.
    pens
        The joints that are drawn, each with its pen; None: the first ones of the bench.
    """
    channels = {joint: recording.channels(joint) for joint in recording.joints}
    limited = limited_channels(recording, recording.limits if limits is None else limits)
    return plan_rows(channels, limited, displays, recording.bench.labels, pens)


def recording_limit_lines(
    recording: Recording, plan: tuple[PlotRow, ...], sets: tuple[tuple[int, LimitSet], ...]
) -> tuple[LimitLine, ...]:
    """Return the limit lines of a whole recording, each over the time when it was in force.

    `sets`: (since when, which limits were in force), in order of time.
    """
    rated = {joint: recording.bench.joint_named(joint).rated for joint in recording.joints}
    return limit_lines(sets, plan, rated, recording.start_ns)


def other_pens(plan: PlotRow, overlaid: Recording) -> tuple[Pen, ...]:
    """Return the pens that draw a second recording: the measured channels that both have."""
    return tuple(
        replace(pen, other=True)
        for pen in plan.measured_pens
        if pen.joint in overlaid.joints and pen.channel in overlaid.channels(pen.joint)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _RowSource:
    """A recording that a row is read from."""

    recording: Recording
    zero_ns: int
    """Its instant at 0 s of the time axis."""
    pens: tuple[Pen, ...]
    start_ns: int
    end_ns: int
    breaks: Mapping[str, PositionBreaks]

    def open_window(self, pen: Pen) -> ChannelWindow:
        """Return the window of the channel that a pen draws."""
        return ChannelWindow(self.recording, pen.joint, pen.channel, self.start_ns, self.end_ns)


def _row_sources(
    recording: Recording, plan: PlotRow, start_ns: int, end_ns: int, overlay: Overlay | None
) -> tuple[_RowSource, ...]:
    own_source = _RowSource(
        recording=recording,
        zero_ns=recording.start_ns,
        pens=plan.pens,
        start_ns=start_ns,
        end_ns=end_ns,
        breaks=_breaks_of(recording, plan),
    )
    if overlay is None:
        return (own_source,)
    later_ns = overlay.zero_ns - recording.start_ns
    other_source = _RowSource(
        recording=overlay.recording,
        zero_ns=overlay.zero_ns,
        pens=other_pens(plan, overlay.recording),
        start_ns=start_ns + later_ns,
        end_ns=end_ns + later_ns,
        breaks=_breaks_of(overlay.recording, plan),
    )
    return own_source, other_source


def _breaks_of(recording: Recording, plan: PlotRow) -> Mapping[str, PositionBreaks]:
    return position_breaks(recording.read_events()) if plan.quantity == "position" else {}


def fine_bins(span_ns: int, width_px: int) -> int:
    """Return how many buckets cover a span so that none is wider than `BUCKET_PX`."""
    return -(-span_ns // widest_bin_ns(span_ns, bins=max(8, width_px // BUCKET_PX)))


def read_band(
    window: ChannelWindow,
    pen: Pen,
    *,
    bins: int,
    factor: float,
    zero_ns: int,
    breaks: PositionBreaks = NO_BREAKS,
) -> tuple[Band, float]:
    """Return min, mean and max of `bins` buckets, and the length of a bucket in seconds.

    Parameters
    ----------
    zero_ns
        The instant from which x is counted.
    breaks
        Those of the joint: the band ends there, and another begins.
    """
    envelope = window.envelope(bins=bins)
    begins = np.asarray(envelope.start_ns)
    broken = breaks.are_broken(pen.channel, begins, begins + envelope.width_ns)
    edges = np.append(begins, begins[-1:] + envelope.width_ns)
    band = Band(
        pen=pen,
        edges=(edges - zero_ns) / 1e9,
        minimum=np.where(broken, np.nan, envelope.minimum * factor),
        maximum=np.where(broken, np.nan, envelope.maximum * factor),
        mean=np.where(broken, np.nan, envelope.mean * factor),
    )
    return band, envelope.width_ns / 1e9


def read_rows(
    recording: Recording,
    plan: Sequence[PlotRow],
    start_ns: int,
    end_ns: int,
    *,
    width_px: int,
    overlay: Overlay | None = None,
) -> list[ReadRow]:
    """Return the rows over [start_ns, end_ns): all lines, or all bands where cycles are too narrow.

    One form for the whole window, an `overlay` included: a row of lines above one of bands would
    seem to show something else.
    """
    bins = fine_bins(end_ns - start_ns, width_px)
    windows = [
        [
            (source, pen, source.open_window(pen))
            for source in _row_sources(recording, row, start_ns, end_ns, overlay)
            for pen in source.pens
        ]
        for row in plan
    ]
    bands = []
    for row, row_windows in zip(plan, windows, strict=True):
        row_bands = [
            read_band(
                window,
                pen,
                bins=bins,
                factor=row.factor,
                zero_ns=source.zero_ns,
                breaks=source.breaks.get(pen.joint, NO_BREAKS),
            )
            for source, pen, window in row_windows
            if not pen.setpoint
        ]
        bands.append(row_bands)
    px_a_s = width_px / max((end_ns - start_ns) / 1e9, 1e-9)
    if any(
        has_narrow_cycles(row, band.minimum, band.maximum, bucket_s * px_a_s)
        for row, row_bands in zip(plan, bands, strict=True)
        for band, bucket_s in row_bands
    ):
        return [
            ReadRow(plan=row, lines=tuple(band for band, _ in row_bands), bucket_s=row_bands[0][1])
            for row, row_bands in zip(plan, bands, strict=True)
        ]
    return [
        ReadRow(
            plan=row,
            lines=tuple(
                _read_line(source, pen, window, bins=bins, factor=row.factor)
                for source, pen, window in row_windows
            ),
            bucket_s=float("nan"),
        )
        for row, row_windows in zip(plan, windows, strict=True)
    ]


def has_narrow_cycles(row: PlotRow, low: Bins, high: Bins, px_a_bin: float) -> bool:
    """Return whether `BUCKET_PX` of a row hold whole cycles: a line would be a patch of ink.

    `low` and `high` are the extremes of bins, shape (n,).
    """
    if row.quantity == "temperature":
        # A temperature drifts and flickers by one count; it has no cycles.
        return False
    ends = np.stack([low, high], axis=1)
    minimum, maximum = group_extremes(ends, max(1, round(BUCKET_PX / px_a_bin)))
    return are_cycles_narrow(minimum, maximum, least=row.min_span)


def _read_line(
    source: _RowSource, pen: Pen, window: ChannelWindow, *, bins: int, factor: float
) -> Line:
    time_ns, values = window.polyline(bins=bins)
    breaks = source.breaks.get(pen.joint, NO_BREAKS)
    width_ns = bin_width_ns(source.end_ns - source.start_ns, bins=bins)
    values = breaks.break_line(pen.channel, time_ns, values, width_ns=width_ns)
    if pen.other and source.recording.end_ns < source.end_ns:
        # It ends within the window: its last value is not held beyond its end.
        time_ns = np.append(time_ns, np.int64(source.recording.end_ns))
        values = np.append(values, np.nan)
    return Line(
        pen=pen,
        x=(np.asarray(time_ns) - source.zero_ns) / 1e9,
        y=np.asarray(values, dtype=float) * factor,
    )


def read_annotations(
    recording: Recording,
    plan: tuple[PlotRow, ...],
    begin_ns: int,
    end_ns: int | None,
    *,
    open_gap: bool = False,
    displays: Displays = DEFAULT_DISPLAYS,
    applied: AppliedLimits | None = None,
) -> Annotations:
    """Return the annotations of a window of a recording.

    Parameters
    ----------
    end_ns
        None where the window follows a live recording: an event may be a moment newer than the
        newest value, and must not be left out.
    open_gap
        Whether a gap that reaches the end of the recording is still open.
    applied
        The limits and alerts to show; None: as recorded.
    """
    applied = applied or recorded_limits(recording)
    if end_ns is None:
        end_ns = TIME_MAX_NS
    labels = recording.bench.labels
    joints = sorted({pen.joint for row in plan for pen in row.pens})
    gaps_by_joint = {
        labels[joint]: list(gaps_within(recording, joint, begin_ns, end_ns)) for joint in joints
    }
    sets = applied.limit_sets
    alerts = [
        alert
        for alert in applied.alerts
        if alert.raised_ns < end_ns and (alert.returned_ns is None or alert.returned_ns > begin_ns)
    ]
    begin_s = (begin_ns - recording.start_ns) / 1e9
    end_s = (end_ns - recording.start_ns) / 1e9
    return Annotations(
        limits=tuple(
            line
            for line in recording_limit_lines(recording, plan, sets)
            if line.is_in_force_within(begin_s, end_s)
        ),
        alerts=alert_spans(alerts, sets, plan, recording.start_ns, displays, joint_labels=labels),
        gaps=gap_spans(
            gaps_by_joint,
            recording.start_ns,
            open_from_ns=recording.end_ns if open_gap and not recording.live else None,
            open_at_ns=recording.end_ns if open_gap else None,
        ),
        notes=tuple(
            note
            for note in note_lines(recording.read_events(), recording.start_ns, labels)
            if begin_s <= note.at_s <= end_s
        ),
    )


def add_overlay_annotations(
    annotations: Annotations,
    overlay: Overlay,
    plan: tuple[PlotRow, ...],
    *,
    start_s: float,
    end_s: float,
) -> Annotations:
    """Return the annotations of a window with those of a second recording laid over it.

    Those are the gaps of the joints that are drawn, its start and its end. Its limits and alerts
    are not shown.
    """
    overlaid, zero_ns = overlay.recording, overlay.zero_ns
    begin_ns, end_ns = (zero_ns + round(at_s * 1e9) for at_s in (start_s, end_s))
    joints = sorted({pen.joint for row in plan for pen in other_pens(row, overlaid)})
    gaps_by_joint = {joint: gaps_within(overlaid, joint, begin_ns, end_ns) for joint in joints}
    edges = [(overlaid.start_ns, "other begins")]
    edges += [] if overlaid.live else [(overlaid.end_ns, "other ends")]
    edge_notes = tuple(
        NoteLine(at_s=(at_ns - zero_ns) / 1e9, text=text)
        for at_ns, text in edges
        if begin_ns < at_ns < end_ns
    )
    return replace(
        annotations,
        gaps=(*annotations.gaps, *(other_gap(gap) for gap in gap_spans(gaps_by_joint, zero_ns))),
        notes=(*annotations.notes, *edge_notes),
    )
