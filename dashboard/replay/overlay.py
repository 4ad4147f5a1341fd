"""A second recording that is laid over the one that is open.

Whether both have something in common, at which events they can be aligned, and a label that says
which lies over which and by how much it was moved. An error about the second one does not remove
the first one from the page: it is drawn alone, with the error as a sentence.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any, Final

from dashboard.figures.axes import PlotRow
from dashboard.figures.row_choice import ALL_ROWS, USUAL_ROWS, RowChoice
from dashboard.plot_data import other_pens, plan_recording_rows
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.format import format_date_time, format_duration, format_elapsed, format_number
from dashboard.text.theme import channel_label
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from logger.errors import DutytraceError, InputError
from logger.event_kind import EventKind
from logger.limits.words import limit_label
from replay.alignment import Anchor, Overlay, find_anchors, first_common_alert
from replay.recording import PARTS_A_LOOK, Recording

__all__ = ["OverlayRequest", "alignment_choices", "draw_with_overlay", "overlay_label"]

OverlayAnswer = dict[str, Any]
MAX_SHIFT_S: Final = 1e8
MAX_ANCHORS: Final = 400
"""Events in a list of choices; more are not readable, and a shift by hand reaches the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlayRequest:
    """Which recording is to be laid over the open one, and by how much it is moved."""

    name: str
    shift_s: float
    zone: tzinfo
    choice: RowChoice = USUAL_ROWS
    """The rows in which it is drawn."""
    joints: str = ""
    """Which joint of it lies over which, "shoulder:elbow"; empty: each over the one of its name."""


def draw_with_overlay(
    request: OverlayRequest,
    cache: RecordingCache,
    first: Recording,
    draw: Callable[[Overlay | None], OverlayAnswer],
) -> OverlayAnswer:
    """Return the result of `draw` with the second recording, or without it if there is an error.

    Under "overlay" it has the label of the overlay, or the error as a sentence.
    """
    if not request.name:
        return draw(None)
    try:
        overlay = _open_overlay(cache, first, request)
        content = draw(overlay)
    except (DutytraceError, OSError, ValueError) as fault:
        # What is wrong with the first recording is found here again.
        return {**draw(None), "overlay": {"fault": _fault_sentence(request.name, fault)}}
    return {**content, "overlay": {"label": overlay_label(first, overlay, request.zone)}}


def _open_overlay(cache: RecordingCache, first: Recording, request: OverlayRequest) -> Overlay:
    second = cache.open_recording(request.name)
    overlay = Overlay(recording=second, shift_ns=0, joints=_joints_of(request, first, second))
    plan = _plan_of_all(first, choice=request.choice, apart=True)
    if not any(other_pens(row, overlay) for row in plan):
        raise InputError(_nothing_shared_text(first, second))
    shift_s = request.shift_s if math.isfinite(request.shift_s) else 0.0
    shift_s = min(max(shift_s, -MAX_SHIFT_S), MAX_SHIFT_S)
    # Whole microseconds, as the address bar has them.
    return replace(overlay, shift_ns=round(shift_s * 1e6) * 1000)


def _joints_of(
    request: OverlayRequest, first: Recording, second: Recording
) -> tuple[str, str] | None:
    if not request.joints:
        return None
    here, _, there = request.joints.partition(":")
    if here not in first.joints or there not in second.joints:
        raise InputError(
            f"There is no joint {there[:80]!r} of {second.name} to lie over {here[:80]!r} of "
            f"{first.name}: found {_join_names(second.joints)} and {_join_names(first.joints)}."
        )
    return here, there


def _joint_choices(first: Recording, second: Recording) -> list[dict[str, str]]:
    """Return which joint of the second one can lie over which of the first, drawn or not."""
    rows = _plan_of_all(first, choice=ALL_ROWS)
    traced = dict.fromkeys(pen.joint for row in rows for pen in row.pens)
    return [
        {
            "key": f"{here}:{there}",
            "label": f"{second.bench.label_of(there)} over {first.bench.label_of(here)}",
        }
        for here in traced
        for there in second.joints
        if set(first.channels(here)) & set(second.channels(there))
    ]


def _plan_of_all(
    recording: Recording,
    displays: Displays = DEFAULT_DISPLAYS,
    *,
    choice: RowChoice | None = None,
    apart: bool = False,
) -> tuple[PlotRow, ...]:
    """Return the rows with every joint, drawn or not."""
    numbers = {joint: number for number, joint in enumerate(recording.joints, start=1)}
    return plan_recording_rows(recording, displays, pens=numbers, choice=choice, apart=apart)


def _fault_sentence(name: str, fault: Exception) -> str:
    if isinstance(fault, DutytraceError):
        return f"No overlay. {fault}"
    return f"No overlay: {name[:80]} cannot be read ({fault})."


def _nothing_shared_text(first: Recording, second: Recording) -> str:
    shared = [joint for joint in first.joints if joint in second.joints]
    if not shared:
        return (
            f"{second.name} has no joint of {first.name}: found {_join_names(second.joints)}, "
            f"expected one of {_join_names(first.joints)}."
        )
    return (
        f"{second.name} has no channel of {first.name} that is drawn here: both have "
        f"{_join_names(shared)}, but measured other things of it."
    )


def _join_names(names: Sequence[str]) -> str:
    return ", ".join(names) or "none"


def overlay_label(first: Recording, overlay: Overlay, zone: tzinfo) -> str:
    """Return which recording lies over which and by how much it was moved, in words."""
    overlaid = overlay.recording
    started = format_date_time(overlaid.start_ns, zone)
    begins_s = overlay.shift_ns / 1e9
    text = f"{overlaid.name}, started {started}, over {first.name}; {_shift_text(begins_s)}"
    if overlay.joints is not None:
        here, there = overlay.joints
        text += f"; {overlaid.bench.label_of(there)} over {first.bench.label_of(here)}"
    length_s = (first.end_ns - first.start_ns) / 1e9
    ends_s = begins_s + (overlaid.end_ns - overlaid.start_ns) / 1e9
    if ends_s <= 0 or begins_s >= length_s:
        text += (
            f". Nothing of it lies within this recording: it would reach from "
            f"{format_elapsed(begins_s)} to {format_elapsed(ends_s)}"
        )
    return text


def _shift_text(shift_s: float) -> str:
    if shift_s == 0:
        return "start on start"
    direction = "later" if shift_s > 0 else "earlier"
    return f"moved {_exact_length_text(abs(shift_s))} {direction}"


def _exact_length_text(length_s: float) -> str:
    """Return a duration in seconds with its decimals, from 100 s on also as hours and minutes."""
    text = format_number(length_s, 3).rstrip("0").rstrip(".")
    return f"{text} s" if length_s < 100 else f"{text} s ({format_duration(length_s)})"


def alignment_choices(
    first: Recording, second: Recording, displays: Displays = DEFAULT_DISPLAYS
) -> OverlayAnswer:
    """Return the events by which both can be aligned, the default, and what the second one lacks.

    Raises
    ------
    InputError
        They have no joint or no channel in common.
    """
    plan = _plan_of_all(first, displays)
    joints = _joint_choices(first, second)
    if not joints:
        raise InputError(f"No overlay. {_nothing_shared_text(first, second)}")
    first_anchors, second_anchors = (_recording_anchors(one) for one in (first, second))
    return {
        "name": second.name,
        "length_s": (second.end_ns - second.start_ns) / 1e9,
        "events": [_anchor_row(one, first, displays) for one in first_anchors[:MAX_ANCHORS]],
        "other_events": [
            _anchor_row(one, second, displays) for one in second_anchors[:MAX_ANCHORS]
        ],
        "omitted": max(0, len(first_anchors) - MAX_ANCHORS)
        + max(0, len(second_anchors) - MAX_ANCHORS),
        "pair": first_common_alert(first_anchors[:MAX_ANCHORS], second_anchors[:MAX_ANCHORS]),
        "joints": joints,
        "shares_joints": any(joint in first.joints for joint in second.joints),
        "remarks": [
            *_missing_texts(plan, second),
            *second.describe_missing(most_opened=PARTS_A_LOOK),
        ],
    }


def _recording_anchors(recording: Recording) -> tuple[Anchor, ...]:
    return find_anchors(
        recording.read_events(),
        start_ns=recording.start_ns,
        end_ns=None if recording.live else recording.end_ns,
    )


def _anchor_row(anchor: Anchor, recording: Recording, displays: Displays) -> OverlayAnswer:
    at_s = anchor.offset_ns / 1e9
    if anchor.kind == EventKind.NOTE:
        words = f"note: {anchor.text}"
    elif anchor.kind == EventKind.ENDED:
        words = "the end"
    else:
        limit = recording.limits.by_name(anchor.limit)
        limit_text = (
            anchor.limit.replace("-", " ") if limit is None else limit_label(limit, displays)
        )
        ended_text = ", over" if anchor.kind == EventKind.RETURNED else ""
        joint = recording.bench.label_of(anchor.joint)
        words = f"{joint} {limit_text}{ended_text}".strip()
    return {"at_s": round(at_s, 6), "label": f"{format_elapsed(at_s)} {words}"}


def _missing_texts(plan: Sequence[PlotRow], second: Recording) -> list[str]:
    """Return sentences about the joints and channels of the rows that the second one lacks."""
    joints = sorted({pen.joint for row in plan for pen in row.pens} - set(second.joints))
    texts = [f"It has no {joint}." for joint in joints]
    for joint in second.joints:
        absent = [
            channel_label(pen.channel)
            for row in plan
            for pen in row.measured_pens
            if pen.joint == joint and pen.channel not in second.channels(joint)
        ]
        if absent:
            texts.append(f"Its {joint} has no {', '.join(absent)}.")
    return texts
