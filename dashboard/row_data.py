"""Row data: the lines, bands and flags of a figure's rows, read from a recording.

With `plot_data` the only code that reads recordings for figures; `figures` itself is pure. A bucket
is at most two pixels wide and has at most two points of a line; gaps are NaN. Computes nothing but
the conversion to displayed units.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.axes import Pen, PlotRow
from dashboard.figures.lines import Band, Line, spread_band
from dashboard.figures.rows import ReadRow
from dashboard.flag_data import read_flag_blocks
from dashboard.plot_data import other_pens
from dashboard.position_breaks import NO_BREAKS, PositionBreaks, position_breaks
from replay.alignment import Overlay
from replay.cycles import are_cycles_narrow, cycle_width, group_extremes
from replay.recording import Recording
from replay.window import ChannelWindow, bin_width_ns, widest_bin_ns

__all__ = [
    "BUCKET_PX",
    "Bins",
    "cycle_reach",
    "fine_bins",
    "read_band",
    "read_rows",
]

Bins = NDArray[np.float64]

DENSE_PX: Final = 6
"""Cycles of no more cannot be followed with the eye: they are drawn as their envelope."""
BUCKET_PX: Final = 2
"""No bucket is wider: what is drawn wider than a pen is read as a course that was not measured."""


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
        pens=other_pens(plan, overlay),
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
    traced = _read_traced_rows(
        recording,
        [row for row in plan if not row.is_flags],
        start_ns,
        end_ns,
        width_px=width_px,
        overlay=overlay,
    )
    flags = [
        _read_flag_row(recording, row, start_ns, end_ns, width_px=width_px, overlay=overlay)
        for row in plan
        if row.is_flags
    ]
    rows = {id(row.plan): row for row in (*traced, *flags)}
    return [rows[id(row)] for row in plan]


def _read_flag_row(
    recording: Recording,
    row: PlotRow,
    start_ns: int,
    end_ns: int,
    *,
    width_px: int,
    overlay: Overlay | None,
) -> ReadRow:
    # Whole buckets, so that what stands beside them is of the window itself.
    edges_ns = np.linspace(start_ns, end_ns, width_px // BUCKET_PX + 1).round().astype(np.int64)
    sources = _row_sources(recording, row, start_ns, end_ns, overlay)
    lines = [
        blocks
        for source in sources
        for blocks in read_flag_blocks(
            source.recording,
            source.pens,
            edges_ns + (source.start_ns - start_ns),
            zero_ns=source.zero_ns,
        )
    ]
    return ReadRow(plan=row, lines=tuple(lines), bucket_s=float("nan"))


def _read_traced_rows(
    recording: Recording,
    plan: Sequence[PlotRow],
    start_ns: int,
    end_ns: int,
    *,
    width_px: int,
    overlay: Overlay | None,
) -> list[ReadRow]:
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
    reaches = [
        max(
            (
                -1 if reach is None else reach
                for band, bucket_s in row_bands
                for reach in [cycle_reach(row, band.minimum, band.maximum, bucket_s * px_a_s)]
            ),
            default=-1,
        )
        for row, row_bands in zip(plan, bands, strict=True)
    ]
    if max(reaches, default=-1) >= 0:
        return [
            ReadRow(
                plan=row,
                lines=tuple(spread_band(band, max(reach, 0)) for band, _ in row_bands),
                bucket_s=row_bands[0][1] * (2 * max(reach, 0) + 1),
            )
            for row, row_bands, reach in zip(plan, bands, reaches, strict=True)
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


def cycle_reach(row: PlotRow, low: Bins, high: Bins, px_a_bin: float) -> int | None:
    """Return how many bins on either side of one hold whole cycles with it; None for a line.

    A line of cycles up to `DENSE_PX` wide would be a patch of ink. `low` and `high` are the
    extremes of bins, shape (n,).
    """
    if row.quantity == "temperature":
        # A temperature drifts and flickers by one count; it has no cycles.
        return None
    group = max(1, round(BUCKET_PX / px_a_bin))
    extremes = group_extremes(np.stack([low, high], axis=1), group)
    if are_cycles_narrow(*extremes, least=row.min_span):
        return group // 2
    if cycle_width(low, high, least=row.min_span) * px_a_bin <= DENSE_PX:
        return math.ceil((DENSE_PX / px_a_bin - 1) / 2)
    return None


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
