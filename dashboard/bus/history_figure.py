"""The figure of a bus over time: load, frames, and each second's faults, with its outages.

One row of load for every bus that has one; of the chosen bus a row of frames and a row for each
kind of fault. A window of more seconds than the sheet has room for is drawn in buckets.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final

import numpy as np

from dashboard.figures.buses import BusRow, LaneMark, OutageSpan, buses_figure, buses_sheet
from dashboard.figures.sheet import Sheet
from dashboard.text.format import format_duration, format_thousands
from dashboard.text.theme import Theme
from logger.arrays import Floats
from logger.event_kind import EventKind
from logger.traffic.diagnosis import MAX_LOAD
from replay.bus_events import Outage
from replay.bus_history import BusBuckets, BusSeconds, to_bus_buckets
from replay.recording import Recording
from replay.window import bin_width_ns

__all__ = ["history_figure"]

SECOND_NS: Final = 1_000_000_000
BUS_PX_PER_BUCKET: Final = 2
MIN_BUCKETS: Final = 40
MIN_LOAD_AXIS_PERCENT: Final = 10.0
"""The load's axis reaches at least so far: a quiet bus should look quiet."""
MIN_FRAMES_AXIS_PER_S: Final = 10.0
COUNT_ROW_WEIGHT: Final = 0.5
SHARED_LOAD_ROW_WEIGHT: Final = 0.8
"""Height of a load row where there are several, against the 1.0 of the row of frames."""


def history_figure(
    recording: Recording,
    seconds: BusSeconds,
    view: tuple[float, float],
    *,
    bus_index: int,
    outages: Sequence[Outage],
    sheet: Sheet,
    theme: Theme,
    zone: tzinfo,
) -> dict[str, Any]:
    """Return the figure of one window.

    Parameters
    ----------
    view
        The window in seconds since the start of the recording.
    bus_index
        The bus whose frames and faults are drawn; every bus's load is.
    zone
        In which times of day are written.
    """
    start_ns = recording.start_ns
    begin_ns, end_ns = start_ns + round(view[0] * 1e9), start_ns + round(view[1] * 1e9)
    bins = max(MIN_BUCKETS, sheet.plot_width // BUS_PX_PER_BUCKET)
    width_ns = max(bin_width_ns(end_ns - begin_ns, bins=bins), SECOND_NS)
    bus_indices = range(len(recording.bench.buses)) if seconds.each_bus else (0,)
    buckets_by_bus = {
        index: to_bus_buckets(seconds.for_bus(index), begin_ns, end_ns, width_ns=width_ns)
        for index in bus_indices
    }
    scale = _RowScale(
        start_ns=start_ns,
        width_ns=width_ns,
        names=[bus.name for bus in recording.bench.buses],
        each_bus=seconds.each_bus,
    )
    rows = _history_rows(scale, buckets_by_bus, bus_index if seconds.each_bus else 0)
    return buses_figure(
        rows,
        outages=_outage_spans(recording, outages),
        marks=[
            LaneMark(
                at_s=(event.time_ns - start_ns) / 1e9,
                text=f"{format_thousands(event.value)} frames lost",
            )
            for event in recording.read_events()
            if event.kind == EventKind.DROPPED and begin_ns <= event.time_ns <= end_ns
        ],
        start_s=view[0],
        end_s=view[1],
        epoch_ms=start_ns / 1e6,
        zone=zone,
        sheet=buses_sheet(sheet, len(rows)),
        theme=theme,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _RowScale:
    """What all rows of one figure share."""

    start_ns: int
    """The start of the recording: 0 s of the time axis."""
    width_ns: int
    """Width of a bucket, at least a second."""
    names: Sequence[str]
    """Name of each bus."""
    each_bus: bool
    """Whether the statistics are of each bus, rather than one set for the whole recording."""

    @property
    def has_wide_buckets(self) -> bool:
        """Whether a bucket holds more than one second."""
        return self.width_ns > SECOND_NS

    @property
    def width_s(self) -> float:
        return self.width_ns / 1e9

    def middles_s(self, buckets: BusBuckets) -> Floats:
        """Return the middle of each bucket in seconds since the start."""
        middles: Floats = (buckets.start_ns + buckets.width_ns // 2 - self.start_ns) / 1e9
        return middles

    @property
    def mean_notes(self) -> tuple[str, ...]:
        """What the small print of a row of means says."""
        if self.has_wide_buckets:
            return ("mean and range", f"of {format_duration(self.width_s)}")
        return ("each second",)

    @property
    def count_notes(self) -> tuple[str, ...]:
        """What the small print of a row of counts says."""
        return (
            (f"in {format_duration(self.width_s)}",) if self.has_wide_buckets else ("each second",)
        )

    def scope(self, otherwise: str) -> str:
        """Return nothing where a row is of one bus, else which buses it is of."""
        return "" if self.each_bus or len(self.names) == 1 else otherwise


def _history_rows(
    scale: _RowScale, buckets_by_bus: Mapping[int, BusBuckets], bus_index: int
) -> list[BusRow]:
    """Return the load of each bus, then the frames and faults of the chosen one."""
    chosen = buckets_by_bus[bus_index]
    bus_suffix = f", {scale.names[bus_index]}" if len(buckets_by_bus) > 1 else ""
    return [
        *_load_rows(scale, buckets_by_bus),
        _frames_row(scale, chosen, bus_index, bus_suffix),
        *_count_rows(scale, chosen, bus_index, bus_suffix),
    ]


def _load_rows(scale: _RowScale, buckets_by_bus: Mapping[int, BusBuckets]) -> list[BusRow]:
    """Return a row for each bus whose load is known, all with the same axis."""
    several = len(buckets_by_bus) > 1
    with_load = {
        index: buckets
        for index, buckets in buckets_by_bus.items()
        if np.isfinite(buckets.load[2]).any()
    }
    axis_top = max(
        [
            MIN_LOAD_AXIS_PERCENT,
            *(100.0 * float(np.nanmax(buckets.load[2])) for buckets in with_load.values()),
        ]
    )
    return [
        BusRow(
            title="Load" + (f", {scale.names[index]}" if several else ""),
            scope=scale.scope("of the fullest bus"),
            unit="%",
            notes=scale.mean_notes,
            bus=index,
            weight=SHARED_LOAD_ROW_WEIGHT if several else 1.0,
            decimals=1,
            x=scale.middles_s(buckets),
            width_s=scale.width_s,
            minimum=buckets.load[0] * 100,
            mean=buckets.load[1] * 100,
            maximum=buckets.load[2] * 100,
            min_axis_top=axis_top,
            level=MAX_LOAD * 100,
            level_text=f"{MAX_LOAD:.0%}: too full",
        )
        for index, buckets in with_load.items()
    ]


def _frames_row(scale: _RowScale, buckets: BusBuckets, bus_index: int, bus_suffix: str) -> BusRow:
    return BusRow(
        title=f"Frames{bus_suffix}",
        scope=scale.scope("all buses"),
        unit="1/s",
        notes=scale.mean_notes,
        bus=bus_index,
        weight=1.0,
        decimals=0,
        x=scale.middles_s(buckets),
        width_s=scale.width_s,
        minimum=buckets.frames_per_s[0],
        mean=buckets.frames_per_s[1],
        maximum=buckets.frames_per_s[2],
        min_axis_top=MIN_FRAMES_AXIS_PER_S,
    )


def _count_rows(
    scale: _RowScale, buckets: BusBuckets, bus_index: int, bus_suffix: str
) -> list[BusRow]:
    """Return a row for each kind of fault; two rare kinds only where there was one."""
    counted = [("Lost", "frames", buckets.lost)]
    if scale.each_bus:
        counted.insert(0, ("Errors", "error frames", buckets.error_frames))
    if buckets.garbled.any():
        counted.append(("Garbled", "lines or frames", buckets.garbled))
    if buckets.unanswered.any():
        counted.append(("Unanswered", "requests", buckets.unanswered))
    rows = []
    for title, unit, counts in counted:
        values = counts.astype(float)
        rows.append(
            BusRow(
                title=f"{title}{bus_suffix}",
                scope=scale.scope("all buses"),
                unit=unit,
                notes=scale.count_notes,
                bus=bus_index,
                weight=COUNT_ROW_WEIGHT,
                decimals=0,
                x=scale.middles_s(buckets),
                width_s=scale.width_s,
                minimum=values,
                mean=values,
                maximum=values,
                is_count=True,
                min_axis_top=1.0,
            )
        )
    return rows


def _outage_spans(recording: Recording, outages: Sequence[Outage]) -> list[OutageSpan]:
    """Return the outages as the figure draws them, each with its cause and length in words."""
    spans = []
    several = len(recording.bench.buses) > 1
    for outage in outages:
        if outage.bus is None:
            cause = "not recorded"
        elif several:
            cause = f"{recording.bench.buses[outage.bus].name}: {EventKind.BUS_LOST}"
        else:
            cause = str(EventKind.BUS_LOST)
        begin_s = (outage.start_ns - recording.start_ns) / 1e9
        if outage.end_ns is None:
            # The page itself writes for how long an outage has lasted that has not ended.
            spans.append(
                OutageSpan(bus=outage.bus, start_s=begin_s, end_s=None, text=f"{cause} for ")
            )
            continue
        end_s = (outage.end_ns - recording.start_ns) / 1e9
        text = f"{cause}, {format_duration(end_s - begin_s)}"
        spans.append(OutageSpan(bus=outage.bus, start_s=begin_s, end_s=end_s, text=text))
    return spans
