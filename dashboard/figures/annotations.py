"""The annotations of a figure, with their texts: limit lines, alert spans, gaps and notes.

`annotation_shapes` draws them. The end of what is still going on is None; the page moves it with
the present. Pure.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType

from dashboard.figures.axes import PlotRow
from dashboard.text.format import format_duration, format_number
from dashboard.text.theme import STATE_BY_SEVERITY
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from logger.event_kind import ANCHOR_WORDS, EventKind
from logger.joint.bench.joint_settings import RatedValues
from logger.limits.kind import JointLimit
from logger.limits.levels import LimitLevel
from logger.limits.lifecycle import Alert
from logger.limits.limit import Limit, LimitSet, in_force
from logger.limits.words import limit_label
from logger.store.layout.events import Event

__all__ = [
    "AlertSpan",
    "Annotations",
    "GapSpan",
    "LimitLine",
    "NoteLine",
    "alert_spans",
    "gap_spans",
    "limit_lines",
    "note_lines",
    "other_gap",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLine:
    """One level of a limit in one row, in displayed units."""

    row: int
    limit: str
    """The limit's name."""
    joints: tuple[str, ...]
    """The joints that it is a level of."""
    mark: str
    is_rising: bool
    """Whether it is raised above the level; else below."""
    pick_up: float
    drop_off: float | None
    texts: tuple[str, ...]
    """Its label, then ever shorter ones for less room."""
    pen: int | None = None
    """The pen of the one joint that it belongs to; None where it belongs to all of the row."""
    place: str = ""
    """The place that it is a level of, in a row of several: what is beyond is not tinted then."""
    start_s: float | None = None
    """Since when it is in force, in s since the start of the recording; None: from the start."""
    end_s: float | None = None
    """Until when; None: to the end."""

    @property
    def text(self) -> str:
        """Return its label in full."""
        return self.texts[0]

    def is_in_force_within(self, begin_s: float, end_s: float) -> bool:
        """Return whether it is in force anywhere in [begin_s, end_s)."""
        begun = self.start_s is None or self.start_s < end_s
        return begun and (self.end_s is None or self.end_s > begin_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertSpan:
    """An alert from raise to return, in s since the start of the recording."""

    row: int | None
    start_s: float
    end_s: float | None
    mark: str
    text: str
    limit: str = ""
    """The limit's name; "" where several were raised in it."""
    joint: str = ""
    count: int = 1
    """How many alerts it stands for; `text` is empty where they say different things."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSpan:
    """A span without frames."""

    start_s: float
    end_s: float | None
    text: str
    other: bool = False
    """Whether it is one of a second recording, laid over the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteLine:
    """A note at the time at which it was written, or an event that is marked like one."""

    at_s: float
    text: str
    end_s: float | None = None
    """When the last of several alike was that are marked together; None: it is one."""
    count: int = 1
    is_written: bool = True
    """Whether somebody wrote it; else it is an event."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Annotations:
    """All annotations of a window."""

    limits: tuple[LimitLine, ...] = ()
    alerts: tuple[AlertSpan, ...] = ()
    gaps: tuple[GapSpan, ...] = ()
    notes: tuple[NoteLine, ...] = ()


def limit_lines(
    sets: Sequence[tuple[int, LimitSet]],
    rows: Sequence[PlotRow],
    rated: Mapping[str, RatedValues],
    start_ns: int,
) -> tuple[LimitLine, ...]:
    """Return the levels of limits on the channels of the rows, each line once.

    A line spans the time when its limits were in force. A level of only some joints of a row names
    them.

    Parameters
    ----------
    sets
        (Since when, which limits were in force), in order of time; the first since the start.
    rated
        Joint -> its rated values, of which some limits are shares.
    """
    boundaries_s: list[float | None] = [
        None,
        *((from_ns - start_ns) / 1e9 for from_ns, _ in sets[1:]),
        None,
    ]
    lines: list[LimitLine] = []
    for (begin_s, end_s), (_, limits) in zip(pairwise(boundaries_s), sets, strict=True):
        for line in _limit_set_lines(limits, rows, rated):
            new_line = replace(line, start_s=begin_s, end_s=end_s)
            # A level that is the same before and after a change of limits is one line.
            ended_line = replace(line, start_s=None, end_s=begin_s)
            same_index = next(
                (
                    index
                    for index, earlier_line in enumerate(lines)
                    if begin_s is not None and replace(earlier_line, start_s=None) == ended_line
                ),
                None,
            )
            if same_index is None:
                lines.append(new_line)
            else:
                lines[same_index] = replace(new_line, start_s=lines[same_index].start_s)
    return tuple(lines)


def _limit_set_lines(
    limits: LimitSet, rows: Sequence[PlotRow], rated: Mapping[str, RatedValues]
) -> Iterator[LimitLine]:
    for index, row in enumerate(rows):
        for limit in limits.limits:
            yield from _row_lines(limit, index, row, rated)


def _row_lines(
    limit: Limit, index: int, row: PlotRow, rated: Mapping[str, RatedValues]
) -> Iterator[LimitLine]:
    if not isinstance(limit, JointLimit):
        return
    joints_by_level: dict[LimitLevel, list[str]] = {}
    pens = [pen for pen in row.measured_pens if not pen.flag]
    label_by_joint = {pen.joint: pen.joint_label for pen in pens}
    place_by_channel = {pen.channel: pen.place for pen in pens}
    for pen in pens:
        if limit.joint not in {None, pen.joint}:
            continue
        for level in limit.levels(rated[pen.joint]):
            if level.channel == pen.channel:
                joints_by_level.setdefault(level, []).append(pen.joint)
    pen_by_joint = {pen.joint: pen.number for pen in pens}
    for level, level_joints in joints_by_level.items():
        names_joints = len(level_joints) < len(label_by_joint)
        pick_up = level.pick_up * row.factor
        drop_off = None if level.drop_off is None else level.drop_off * row.factor
        level_text = _level_text(pick_up, row)
        below = "" if level.is_rising else "below "
        drop_off_text = "" if drop_off is None else f", off at {_level_text(drop_off, row)}"
        named = ", ".join(label_by_joint[joint] for joint in level_joints)
        place = place_by_channel[level.channel]
        joints_text = f"{named} " if names_joints else ""
        joints_text += f"{place} " if place else ""
        beyond_text = f"{level.prefix}{level.severity} {below}{level_text}"
        texts = (
            f"{joints_text}{beyond_text}{drop_off_text}",
            f"{joints_text}{beyond_text}",
            f"{joints_text}{level_text}",
            level_text,
        )
        yield LimitLine(
            row=index,
            limit=limit.name,
            joints=tuple(level_joints),
            mark=STATE_BY_SEVERITY[level.severity],
            is_rising=level.is_rising,
            pick_up=pick_up,
            drop_off=drop_off,
            texts=tuple(dict.fromkeys(texts)),
            pen=pen_by_joint[level_joints[0]] if names_joints and len(level_joints) == 1 else None,
            place=place,
        )


def _level_text(value: float, row: PlotRow) -> str:
    return format_number(value, row.decimals if round(value, 6) % 1 else 0)


def alert_spans(
    alerts: Sequence[Alert],
    sets: Sequence[tuple[int, LimitSet]],
    rows: Sequence[PlotRow],
    start_ns: int,
    displays: Displays = DEFAULT_DISPLAYS,
    *,
    joint_labels: Mapping[str, str] = MappingProxyType({}),
) -> tuple[AlertSpan, ...]:
    """Return every alert as a span; `row` is None when no row shows its channel.

    The text of an alert names the limit as it was in force when it was raised (`sets`), and a joint
    as people call it (`joint_labels`).
    """
    spans = []
    row_of: dict[tuple[str, str], int] = {}
    for index, plan in enumerate(rows):
        for pen in plan.pens:
            row_of.setdefault((pen.joint, pen.channel), index)
    # Cached, since thousands of alerts may be of a few limits.
    labels: dict[int, str] = {}
    for alert in alerts:
        row = row_of.get((alert.joint, alert.channel))
        limit = in_force(sets, alert.raised_ns).by_name(alert.limit)
        names_joint = row is None or limit is None or limit.kind_name() == "silence"
        joint = joint_labels.get(alert.joint, alert.joint)
        joint_text = f"{joint} " if joint and names_joint else ""
        if limit is not None and id(limit) not in labels:
            labels[id(limit)] = limit_label(limit, displays)
        limit_text = alert.limit.replace("-", " ") if limit is None else labels[id(limit)]
        # A cut begins with the alerts that were active there.
        earlier_text = ", since before" if alert.raised_ns < start_ns else ""
        text = f"{joint_text}{limit_text}{earlier_text}"
        spans.append(
            AlertSpan(
                row=row,
                start_s=max(alert.raised_ns - start_ns, 0) / 1e9,
                end_s=None
                if alert.returned_ns is None
                else max(alert.returned_ns - start_ns, 0) / 1e9,
                mark=STATE_BY_SEVERITY.get(alert.severity, "abnormal"),
                text=text,
                limit=alert.limit,
                joint=alert.joint,
            )
        )
    return tuple(spans)


def gap_spans(
    gaps: dict[str, list[tuple[int, int]]],
    start_ns: int,
    *,
    open_from_ns: int | None = None,
    open_at_ns: int | None = None,
) -> tuple[GapSpan, ...]:
    """Return the gaps of all joints, overlapping ones merged, with the joints in their texts.

    Parameters
    ----------
    gaps
        Joint -> its gaps as (start_ns, end_ns); every joint of the figure is a key.
    open_from_ns
        Begin of a gap that has not ended, since the recorder stopped; None: none.
    open_at_ns
        A gap that reaches this instant has not ended: a joint is silent while others report.
    """
    marked = sorted((begin, end, joint) for joint, spans in gaps.items() for begin, end in spans)
    merged: list[tuple[int, int, set[str]]] = []
    for begin, end, joint in marked:
        if merged and begin < merged[-1][1]:
            first_ns, last_ns, silent_joints = merged[-1]
            merged[-1] = (first_ns, max(last_ns, end), silent_joints | {joint})
        else:
            merged.append((begin, end, {joint}))
    spans = []
    for begin, end, silent_joints in merged:
        if open_from_ns is not None and end > open_from_ns:
            continue
        joints_text = (
            "" if silent_joints == set(gaps) else f" from {', '.join(sorted(silent_joints))}"
        )
        if open_at_ns is not None and end >= open_at_ns:
            began_s = (begin - start_ns) / 1e9
            spans.append(GapSpan(start_s=began_s, end_s=None, text=f"no frames{joints_text} for "))
            continue
        spans.append(
            GapSpan(
                start_s=(begin - start_ns) / 1e9,
                end_s=(end - start_ns) / 1e9,
                text=f"no frames{joints_text}, {format_duration((end - begin) / 1e9)}",
            )
        )
    if open_from_ns is not None:
        spans.append(
            GapSpan(start_s=(open_from_ns - start_ns) / 1e9, end_s=None, text="no frames for ")
        )
    return tuple(spans)


def other_gap(gap: GapSpan) -> GapSpan:
    """Return a gap as one of a second recording, laid over the first."""
    return replace(gap, text=f"other: {gap.text}", other=True)


def note_lines(
    events: Sequence[Event],
    start_ns: int,
    joint_labels: Mapping[str, str] = MappingProxyType({}),
) -> tuple[NoteLine, ...]:
    """Return the notes, and other events that are marked like notes."""
    note_texts = {
        EventKind.NOTE: "{text}",
        EventKind.POSITION_LOST: "{joint} position restarts",
        EventKind.POSITION_FOUND: "{joint} position found again: {anchor}",
        EventKind.MODEL_LEFT: "{joint} left its model of heat",
        EventKind.MODEL_HOLDS_AGAIN: "{joint} within its model of heat again",
        EventKind.DROPPED: "frames lost",
        EventKind.STANDSTILL: "recorder stood still",
        EventKind.CONTINUED: "recording resumed",
    }
    return tuple(
        NoteLine(
            at_s=(event.time_ns - start_ns) / 1e9,
            is_written=event.kind == EventKind.NOTE,
            text=note_texts[event.kind].format(
                text=event.text,
                joint=joint_labels.get(event.joint, event.joint),
                anchor=ANCHOR_WORDS.get(event.anchor, event.anchor),
            ),
        )
        for event in events
        if event.kind in note_texts
    )
