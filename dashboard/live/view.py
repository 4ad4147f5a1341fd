"""What a view of a live recording shows, moment by moment.

Bins close on an absolute grid. A picture has all bins of its window, the newest value of every
channel, and a sheet: the figure without data. The sheet stays the same until its axes, its bands or
its limits change; of alerts, gaps and notes only two lists change. Knows no page.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from dashboard.figures.annotations import Annotations
from dashboard.figures.axes import Axis, Pen, PlotRow
from dashboard.figures.lines import Band, FlagBlocks, Line, PlotLine
from dashboard.figures.pens import Pens, choose_pens, keep_pens
from dashboard.figures.rows import ReadRow, row_axes, rows_figure, sheet_of_rows, window_marks
from dashboard.live.closed_bins import read_bins
from dashboard.live.snapshot import Snapshot
from dashboard.live.view_request import ViewRequest
from dashboard.plot_data import plan_recording_rows, read_annotations, recording_row_offers
from dashboard.position_breaks import PositionBreaks, position_breaks
from dashboard.row_data import BUCKET_PX, Bins, cycle_reach
from replay.flags import holds_messages_back
from replay.recording import Recording
from replay.urgency import JointState
from replay.window import widest_bin_ns

__all__ = ["LiveView", "Picture"]

SILENT_NS: Final = 2_000_000_000
"""A joint without a row for longer has a gap that is still open."""
GRACE_NS: Final = 60_000_000
"""A bin is closed so long after its end, since joints are not written in the same instant."""
MIN_BINS: Final = 40
BINS_BEYOND: Final = 1.5
"""A view that is so many windows late, or has grown so long, is sent whole again."""
BANDS_EVERY_NS: Final = 5_000_000_000
FIRST_ROOM_NS: Final = 10_000_000_000
"""A view spans at least so much while less has been recorded; `live/picture.mjs` too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """All that a view shows at one moment."""

    sheet_number: int
    """Which sheet it is drawn on: with another number everything is drawn anew."""
    figure: dict[str, Any]
    """The sheet as it was when it was new."""
    shapes: list[dict[str, Any]]
    lane: list[dict[str, Any]]
    """The present ones, which are not changed any more."""
    now_ns: int
    cursor_ns: int
    """End of the last bin."""
    width_ns: int
    """Width of a bin."""
    newest: Bins
    """Age in s and displayed value of every pen's newest reading, shape (pens, 2)."""
    bins: Bins
    """The bins of the window up to the cursor, shape (n, pens, 3)."""


class LiveView:
    """One requested view of one recording."""

    def __init__(self, request: ViewRequest, recording: Recording) -> None:
        self.request = request
        self.recording = recording
        self.joint_pens: Pens = {}
        """The joints that are drawn."""
        self._plan: tuple[PlotRow, ...] = ()
        self._sheet = request.sheet
        """With room for all rows."""
        self._pens: tuple[tuple[Pen, float], ...] = ()
        """Every pen of the plan with its factor to displayed units, in the order of updates."""
        self._axes: tuple[Axis, ...] = ()
        self._reaches: tuple[int, ...] = ()
        """Of each row's bands, as `Band.reach`; empty where all rows are lines."""
        self._bands_checked_ns = 0
        self._events_seen = self._limit_sets = -1
        self._breaks: dict[str, PositionBreaks] = {}
        self._has_open_gap = False
        self._sheet_number = 0
        self._figure: dict[str, Any] = {}
        self._shapes: list[dict[str, Any]] = []
        self._lane: list[dict[str, Any]] = []
        self._cursor_ns = 0
        """End of the last bin that was taken."""
        self._bins: Bins = np.empty((0, 0, 3))
        """Those of the window up to the cursor."""
        self._width_ns = 0
        """Width of a bin; 0: nothing was taken yet."""
        self._room_ns = 0
        """Length of the window for which that width was chosen."""

    def advance(self, snapshot: Snapshot) -> Picture:
        """Return the picture at a snapshot of this view's recording."""
        recording, now_ns = self.recording, snapshot.now_ns
        begin_ns = self._begin_ns(now_ns)
        silent = not recording.live or any(
            snapshot.present_ns - item.time_ns > SILENT_NS for item in snapshot.latest.values()
        )
        events = recording.read_events()
        marks_changed = len(events) != self._events_seen or silent != self._has_open_gap
        if len(events) != self._events_seen:
            self._breaks = position_breaks(events)
        self._events_seen, self._has_open_gap = len(events), silent
        pens_before, self.joint_pens = self.joint_pens, self._choose_pens(snapshot)
        whole = (
            self._must_redraw(begin_ns, now_ns)
            or self.joint_pens != pens_before
            or (marks_changed and self._lacks_a_flag())
        )
        if not whole:
            bins = self._take_closed_bins()
            self._keep_bins(bins, begin_ns)
            whole = self._leaves_axes(bins) or self._bands_changed(begin_ns, now_ns)
        if whole:
            self._start_over(begin_ns, now_ns)
            self._bins = self._take_closed_bins()
            self._draw_sheet(self._bins, snapshot, begin_ns)
        elif marks_changed:
            self._draw_marks(snapshot, begin_ns)
        return Picture(
            sheet_number=self._sheet_number,
            figure=self._figure,
            shapes=self._shapes,
            lane=self._lane,
            now_ns=now_ns,
            cursor_ns=self._cursor_ns,
            width_ns=self._width_ns,
            newest=self._newest_values(snapshot),
            bins=self._bins,
        )

    def _keep_bins(self, bins: Bins, begin_ns: int) -> None:
        """Put closed bins behind those of the window, and drop what has left it."""
        if not len(bins):
            return
        count = -(-(self._cursor_ns - begin_ns) // self._width_ns)
        self._bins = np.concatenate([self._bins, bins])[-max(count, len(bins)) :]

    def _begin_ns(self, now_ns: int) -> int:
        """Return the begin of the window: it grows from the start of a test until it is full."""
        window_ns = round(self.request.window_s * 1e9)
        start_ns = self.recording.start_ns
        return max(start_ns, now_ns - window_ns) if window_ns else start_ns

    def _choose_pens(self, snapshot: Snapshot) -> Pens:
        """Return the joints to draw, each with its pen.

        Where nobody chose they change only when one that is not drawn gets into a worse state than
        one that is.
        """
        states = {one.joint: one.state for one in snapshot.order.urgencies}
        joints = self.recording.joints
        wanted = choose_pens([*states] or joints, joints, self.request.joints)
        if any(joint in joints for joint in self.request.joints or ()):
            return wanted
        were, are = (
            sorted(states.get(joint, JointState.NORMAL) for joint in pens)
            for pens in (self.joint_pens, wanted)
        )
        return self.joint_pens if were == are else keep_pens(self.joint_pens, wanted)

    def _must_redraw(self, begin_ns: int, now_ns: int) -> bool:
        """Return whether bins of another width are needed, or other limits are in force."""
        if self._width_ns == 0 or len(self.recording.limit_sets) != self._limit_sets:
            return True
        room_ns = BINS_BEYOND * self._room_ns
        return now_ns - begin_ns > room_ns or self._closed_ns() - self._cursor_ns > room_ns

    def _lacks_a_flag(self) -> bool:
        """Return whether a flag came on for the first time: it has a place in the rows."""
        return self._plan_rows() != self._plan

    def _plan_rows(self) -> tuple[PlotRow, ...]:
        request = self.request
        return plan_recording_rows(
            self.recording, request.displays, pens=self.joint_pens, choice=request.choice
        )

    def _start_over(self, begin_ns: int, now_ns: int) -> None:
        """Plan rows and bins again."""
        self._limit_sets = len(self.recording.limit_sets)
        self._plan = self._plan_rows()
        self._pens = tuple((pen, row.factor) for row in self._plan for pen in row.pens)
        self._room_ns = max(now_ns - begin_ns, FIRST_ROOM_NS)
        bins = max(MIN_BINS, self.request.sheet.plot_width // BUCKET_PX)
        self._width_ns = widest_bin_ns(self._room_ns, bins=bins)
        self._cursor_ns = begin_ns // self._width_ns * self._width_ns

    def _closed_ns(self) -> int:
        """Return the end of the last closed bin."""
        grace_ns = GRACE_NS if self.recording.live else 0
        return (self.recording.end_ns - grace_ns) // self._width_ns * self._width_ns

    def _take_closed_bins(self) -> Bins:
        """Return the bins that closed since the cursor, and move the cursor to their end."""
        width = self._width_ns
        count = int(max(0, (self._closed_ns() - self._cursor_ns) // width))
        bins = (
            read_bins(
                self.recording,
                self._pens,
                self._cursor_ns,
                count,
                width,
                breaks=self._breaks,
            )
            if count
            else np.empty((0, len(self._pens), 3))
        )
        self._cursor_ns += count * width
        return bins

    def _newest_values(self, snapshot: Snapshot) -> Bins:
        """Return age in s and displayed value of every pen's newest reading, shape (pens, 2)."""
        newest = np.full((len(self._pens), 2), np.nan)
        for index, (pen, factor) in enumerate(self._pens):
            item = None if pen.flag else snapshot.latest.get(pen.joint)
            if item is not None and pen.channel in item.values:
                at_ns, value = item.values[pen.channel]
                newest[index] = (snapshot.now_ns - at_ns) / 1e9, value * factor
        return newest

    def _split_by_row(self, bins: Bins) -> list[Bins]:
        edges = np.cumsum([len(row.pens) for row in self._plan])[:-1]
        return list(np.split(bins, edges, axis=1))

    def _leaves_axes(self, bins: Bins) -> bool:
        """Return whether a new bin lies outside of its row's axis."""
        for row, axis, values in zip(self._plan, self._axes, self._split_by_row(bins), strict=True):
            if row.is_flags:
                continue
            ends = values[:, :, :2]
            ends = ends[~np.isnan(ends)]
            if ends.size and (ends.min() < axis.low or ends.max() > axis.high):
                return True
        return False

    def _bands_changed(self, begin_ns: int, now_ns: int) -> bool:
        """Return whether lines should become bands, or bands lines; checked every 5 s."""
        if now_ns - self._bands_checked_ns < max(BANDS_EVERY_NS, (now_ns - begin_ns) // 6):
            return False
        self._bands_checked_ns = now_ns
        return self._find_reaches(self._bins, now_ns - begin_ns) != self._reaches

    def _find_reaches(self, bins: Bins, room_ns: int) -> tuple[int, ...]:
        """Return the reach of the bands of each row; nothing where lines are drawn."""
        px_a_bin = self.request.sheet.plot_width * self._width_ns / room_ns
        reaches = [
            [
                cycle_reach(row, values[:, index, 0], values[:, index, 1], px_a_bin)
                for index, pen in enumerate(row.pens)
                if not (pen.setpoint or pen.flag)
            ]
            for row, values in zip(self._plan, self._split_by_row(bins), strict=True)
        ]
        if all(reach is None for row_reaches in reaches for reach in row_reaches):
            return ()
        return tuple(max([reach or 0 for reach in one], default=0) for one in reaches)

    def _draw_sheet(self, bins: Bins, snapshot: Snapshot, begin_ns: int) -> None:
        recording, request = self.recording, self.request
        room_ns = max(snapshot.now_ns - begin_ns, FIRST_ROOM_NS)
        self._reaches = self._find_reaches(bins, room_ns)
        self._bands_checked_ns = snapshot.now_ns
        empty, full = self._empty_and_full_rows(bins)
        annotations = self._read_annotations(begin_ns)
        self._sheet = sheet_of_rows(empty, request.sheet)
        self._axes = row_axes(full, annotations, self._sheet)
        figure = rows_figure(
            empty,
            annotations,
            start_s=(begin_ns - recording.start_ns) / 1e9,
            end_s=(snapshot.now_ns - recording.start_ns) / 1e9,
            epoch_ms=recording.start_ns / 1e6,
            zone=request.zone,
            sheet=self._sheet,
            theme=request.theme,
            axes=self._axes,
            offers=recording_row_offers(recording, self._plan),
            choice=request.choice,
        )
        index_of = {(pen.joint, pen.channel, pen.flag): k for k, (pen, _) in enumerate(self._pens)}
        for trace in figure["data"]:
            meta = trace["meta"]
            meta["at"] = index_of[meta["joint"], meta["channel"], ""]
        for row in figure["layout"]["meta"]["rows"]:
            for flag in row["flags"]:
                flag["at"] = index_of[flag["joint"], flag["channel"], flag["name"]]
        self._shapes = _round_marks(figure["layout"]["shapes"])
        self._lane = _round_marks(figure["layout"]["meta"]["lane"])
        self._figure = figure
        self._sheet_number += 1

    def _empty_and_full_rows(self, bins: Bins) -> tuple[list[ReadRow], list[ReadRow]]:
        """Return the rows without data, as they are sent, and with it, for their axes."""
        nothing = np.empty(0)
        empty, full = [], []
        reaches = self._reaches or (None,) * len(self._plan)
        for plan, values, reach in zip(self._plan, self._split_by_row(bins), reaches, strict=True):
            shown = [
                (index, pen)
                for index, pen in enumerate(plan.pens)
                if reach is None or not pen.setpoint
            ]
            bucket_s = math.nan if reach is None else (2 * reach + 1) * self._width_ns / 1e9
            low = np.fmin(values[:, :, 0], values[:, :, 1])
            high = np.fmax(values[:, :, 0], values[:, :, 1])
            drawn = [self._nothing_drawn(pen, reach) for _, pen in shown]
            held = [
                Line(pen=pen, x=nothing, y=np.concatenate([low[:, index], high[:, index]]))
                for index, pen in shown
            ]
            if plan.is_flags:
                empty.append(ReadRow(plan=plan, lines=tuple(drawn), bucket_s=math.nan))
                full.append(empty[-1])
                continue
            empty.append(ReadRow(plan=plan, lines=tuple(drawn), bucket_s=bucket_s))
            full.append(ReadRow(plan=plan, lines=tuple(held), bucket_s=bucket_s))
        return empty, full

    def _nothing_drawn(self, pen: Pen, reach: int | None) -> PlotLine:
        """Return what a pen draws, without its data: the page has the bins.

        `reach`: of a band (`Band.reach`); None for a line.
        """
        nothing = np.empty(0)
        if pen.flag:
            return FlagBlocks(
                pen=pen,
                edges=nothing,
                share=nothing,
                onsets=nothing,
                count=0,
                whole_share=math.nan,
                is_least=not pen.channel and holds_messages_back(self.recording, pen.joint),
            )
        if reach is not None:
            return Band(
                pen=pen, edges=nothing, minimum=nothing, maximum=nothing, mean=nothing, reach=reach
            )
        return Line(pen=pen, x=nothing, y=nothing)

    def _read_annotations(self, begin_ns: int) -> Annotations:
        return read_annotations(
            self.recording,
            self._plan,
            begin_ns,
            None,
            open_gap=self._has_open_gap,
            displays=self.request.displays,
        )

    def _draw_marks(self, snapshot: Snapshot, begin_ns: int) -> None:
        """Draw alerts, gaps and notes anew on the sheet as it is."""
        start_ns = self.recording.start_ns
        shapes, lane = window_marks(
            self._read_annotations(begin_ns),
            self._axes,
            start_s=(begin_ns - start_ns) / 1e9,
            end_s=(snapshot.now_ns - start_ns) / 1e9,
            sheet=self._sheet,
            theme=self.request.theme,
        )
        self._shapes, self._lane = _round_marks(shapes), _round_marks(lane)


def _round_marks(marks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return marks with their ends rounded to ms: equal marks stay equal, and their JSON short.

    An open end, which the page moves with the present, is set to its begin.
    """
    for mark in marks:
        if mark.get("name") == "open":
            mark["x1"] = mark["x0"]
        mark |= {key: round(mark[key], 3) for key in ("x0", "x1") if mark[key] is not None}
    return marks
