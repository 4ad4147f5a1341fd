"""Plot data: which rows a figure of a recording has, and what is marked in them.

`row_data` reads what is drawn in the rows; `figures` itself is pure.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

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
from dashboard.figures.axes import Pen, PlotRow
from dashboard.figures.pens import Pens
from dashboard.figures.row_choice import USUAL_ROWS, RowChoice, row_offers
from dashboard.figures.row_plan import plan_rows
from dashboard.flag_data import flag_names, flag_offers, other_flag_pens
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from logger.arrays import TIME_MAX_NS
from logger.limits.limit import LimitSet
from replay.alignment import Overlay
from replay.excursions.applied_limits import AppliedLimits, recorded_limits
from replay.recording import Recording
from replay.window import gaps_within

__all__ = [
    "add_overlay_annotations",
    "other_pens",
    "plan_recording_rows",
    "read_annotations",
    "recording_limit_lines",
    "recording_row_offers",
]


def plan_recording_rows(
    recording: Recording,
    displays: Displays = DEFAULT_DISPLAYS,
    limits: LimitSet | None = None,
    pens: Pens | None = None,
    *,
    choice: RowChoice | None = None,
    apart: bool = False,
) -> tuple[PlotRow, ...]:
    """Return the rows of a recording's figure.

    Parameters
    ----------
    limits
        Of several temperatures the one with a limit is usual; None: the newest in force.
    pens
        The joints that are drawn, each with its pen; None: the first ones of the bench.
    choice
        The rows that the reader chose; None: the usual ones, without flags.
    apart
        As in `plan_rows`: whether a second recording is laid over them.
    """
    channels = {joint: recording.channels(joint) for joint in recording.joints}
    limited = limited_channels(recording, recording.limits if limits is None else limits)
    return plan_rows(
        channels,
        limited,
        displays,
        recording.bench.labels,
        pens,
        choice=choice or USUAL_ROWS,
        flags={} if choice is None else flag_names(recording),
        apart=apart,
    )


def recording_row_offers(recording: Recording, plan: Sequence[PlotRow]) -> list[dict[str, Any]]:
    """Return what rows of a recording there are to choose from, and which are drawn."""
    channels = {joint: recording.channels(joint) for joint in recording.joints}
    shown = {pen.channel for row in plan for pen in row.measured_pens if not pen.flag}
    return row_offers(channels, shown, flag_offers(recording, plan))


def recording_limit_lines(
    recording: Recording, plan: tuple[PlotRow, ...], sets: tuple[tuple[int, LimitSet], ...]
) -> tuple[LimitLine, ...]:
    """Return the limit lines of a whole recording, each over the time when it was in force.

    `sets`: (since when, which limits were in force), in order of time.
    """
    rated = {joint: recording.bench.joint_named(joint).rated for joint in recording.joints}
    return limit_lines(sets, plan, rated, recording.start_ns)


def other_pens(plan: PlotRow, overlay: Overlay) -> tuple[Pen, ...]:
    """Return the pens that draw a second recording: the measured channels that both have."""
    if plan.is_flags:
        return other_flag_pens(plan, overlay)
    overlaid = overlay.recording
    return tuple(
        replace(pen, joint=joint, label=overlaid.bench.label_of(joint), other=True)
        for pen in plan.measured_pens
        if (joint := overlay.joint_over(pen.joint)) is not None
        and pen.channel in overlaid.channels(joint)
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
    joints = sorted({pen.joint for row in plan for pen in other_pens(row, overlay)})
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
