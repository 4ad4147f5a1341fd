"""The one place that asks replay for what a figure draws.

Never more than two points a bucket and never more buckets than pixels; gaps come as NaN. Reads the
recording, computes nothing but the change to shown units.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.axes import Pen, Planned, plan_rows
from dashboard.figures.furniture import (
    Furniture,
    LimitLine,
    alert_spans,
    gap_spans,
    limit_lines,
    note_lines,
)
from dashboard.figures.lines import Band, Line, crowded
from dashboard.units import PLAIN, Displays
from logger.limits.lifecycle import fold
from logger.limits.limit import LimitSet
from replay.recording import Recording
from replay.window import envelope, gaps, trace

__all__ = [
    "BAND_PX",
    "Bins",
    "Row",
    "furniture_of",
    "limit_lines_of",
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


def plan_of(recording: Recording, displays: Displays = PLAIN) -> tuple[Planned, ...]:
    """Return the rows that a recording fills."""
    channels = {joint: recording.channels(joint) for joint in recording.joints}
    watched = {
        joint: {
            limit.channel
            for limit in recording.limits.for_joint(joint, carried)
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


def _seconds(recording: Recording, time_ns: np.ndarray) -> np.ndarray:
    return (np.asarray(time_ns) - recording.start_ns) / 1e9


def read_band(
    recording: Recording, pen: Pen, start_ns: int, end_ns: int, *, bins: int, factor: float
) -> tuple[Band, float]:
    """Return min, mean and max of `bins` buckets, and the length of a bucket in seconds."""
    found = envelope(recording, pen.joint, pen.channel, start_ns, end_ns, bins=bins)
    middle = np.asarray(found.start_ns) + found.width_ns // 2
    band = Band(
        pen=pen,
        x=_seconds(recording, middle),
        minimum=found.minimum * factor,
        maximum=found.maximum * factor,
        mean=found.mean * factor,
    )
    return band, found.width_ns / 1e9


def read_row(
    recording: Recording, plan: Planned, start_ns: int, end_ns: int, *, width_px: int
) -> Row:
    """Return a row over [start_ns, end_ns): lines, or bands where its cycles are too narrow."""
    # A temperature drifts and flickers by a count; it has no cycles to be told apart.
    measured = [p for p in plan.pens if not p.setpoint and plan.quantity != "temperature"]
    least = plan.least_room
    for bucket_px in BAND_PX if measured else ():
        bins = max(8, width_px // bucket_px)
        bands = [
            read_band(recording, pen, start_ns, end_ns, bins=bins, factor=plan.factor)
            for pen in measured
        ]
        if any(crowded(band.minimum, band.maximum, least=least) for band, _ in bands):
            drawn = tuple(band for band, _ in bands)
            return Row(plan=plan, lines=drawn, bucket_s=bands[0][1])
    lines = []
    for pen in plan.pens:
        time_ns, values = trace(
            recording,
            pen.joint,
            pen.channel,
            start_ns,
            end_ns,
            bins=max(8, width_px // PX_A_BUCKET),
        )
        lines.append(
            Line(
                pen=pen,
                x=_seconds(recording, np.asarray(time_ns)),
                y=np.asarray(values, dtype=float) * plan.factor,
            )
        )
    return Row(plan=plan, lines=tuple(lines), bucket_s=float("nan"))


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
) -> Furniture:
    """Return what stands in a window of a recording.

    `end_ns` is None where the window goes on: what was just said stands a moment after the newest
    value, and belongs to the picture that comes.
    """
    if end_ns is None:
        end_ns = _NEVER_NS
    joints = sorted({pen.joint for row in plan for pen in row.pens})
    found = {joint: list(gaps(recording, joint, begin_ns, end_ns)) for joint in joints}
    sets = recording.limit_sets
    spans = alert_spans(fold(recording.events()), sets, plan, recording.start_ns, displays)
    begin_s = (begin_ns - recording.start_ns) / 1e9
    end_s = (end_ns - recording.start_ns) / 1e9
    return Furniture(
        limits=tuple(
            line for line in limit_lines_of(recording, plan, sets) if line.within(begin_s, end_s)
        ),
        alerts=tuple(
            span
            for span in spans
            if span.start_s < end_s and (span.end_s is None or span.end_s > begin_s)
        ),
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
