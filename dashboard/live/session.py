"""What one open Live page has been told, and what to tell it next.

Bins close on an absolute grid; an update holds the closed bins since the page's cursor and the
newest value of every channel. A page that is new, came back or changed its window is sent a sheet
(the figure without data) and the whole window; of alerts, gaps and notes that come later only what
they change in it. At most two messages stand unacknowledged: what is skipped meanwhile is in the
next update. No socket in here.
"""

import json
import math
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.annotations import Annotations
from dashboard.figures.axes import Axis, Pen, PlotRow
from dashboard.figures.lines import Band, Line, is_crowded
from dashboard.figures.rows import row_axes, rows_figure, window_marks
from dashboard.figures.sheet import Sheet, make_sheet
from dashboard.live.follower import Snapshot
from dashboard.live.json_patch import diff_values, list_edits
from dashboard.live.status import live_status
from dashboard.live.wire_format import Update, pack_update
from dashboard.plot_data import (
    BAND_BUCKET_PX,
    Bins,
    ReadRow,
    plan_recording_rows,
    read_annotations,
    read_bins,
)
from dashboard.text.theme import LIGHT, THEMES, Theme, reader_zone
from dashboard.text.units import DEFAULT_DISPLAYS, Displays, select_displays
from replay.recording import Recording
from replay.window import bin_width_ns

__all__ = ["LiveSession", "ViewRequest", "parse_view_request"]

S: Final = 1_000_000_000
MAX_UNACKNOWLEDGED: Final = 2
LEDGER_EVERY_NS: Final = 240_000_000
LEDGER_LATEST_NS: Final = 2 * LEDGER_EVERY_NS
"""When it is said even beside marks: an update is to stay small."""
SILENT_NS: Final = 2_000_000_000
GRACE_NS: Final = 60_000_000
"""A bin is closed that long after its end: joints are not written in the same instant."""
PX_A_BIN: Final = 1.4
"""The least; the ladder of bin widths makes it up to two and a half times as much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewRequest:
    """What a page shows: its window in seconds (0: the whole test), its size, its theme."""

    window_s: float
    sheet: Sheet
    theme: Theme
    offset_min: float
    displays: Displays = field(default_factory=lambda: DEFAULT_DISPLAYS)


def parse_view_request(message: dict[str, Any]) -> ViewRequest:
    """Return the look that a page asks for; what it says amiss is brought into range."""

    def figure(key: str, otherwise: float) -> float:
        value = message.get(key)
        plain = isinstance(value, int | float) and math.isfinite(value)
        return float(value) if plain and value is not None else otherwise

    window_s = figure("window_s", 300.0)
    return ViewRequest(
        window_s=0.0 if window_s <= 0 else min(max(window_s, 1.0), 7 * 86400.0),
        sheet=make_sheet(str(message.get("form")), figure("width", 1200), figure("height", 440)),
        theme=THEMES.get(str(message.get("theme")), LIGHT),
        offset_min=figure("offset_min", 0.0),
        displays=select_displays(str(message.get("position")), str(message.get("speed"))),
    )


class LiveSession:
    """One open page. `next_messages` is called with each moment; `on_message` with each word from it."""

    def __init__(self, *, writes: bool = True) -> None:
        """Begin; without `writes` no alert is offered to be acknowledged or shelved."""
        self.view: ViewRequest | None = None
        self._writes = writes
        self._recording: Recording | None = None
        self._nothing = False
        self._serial = 0
        self._acknowledged = 0
        self._snapshot_serial = -1
        self._status_ns = 0
        self._sent_status: dict[str, Any] = {}
        self._fresh = True
        self._plan: tuple[PlotRow, ...] = ()
        self._pens: tuple[tuple[Pen, float], ...] = ()
        self._axes: tuple[Axis, ...] = ()
        self._bands: tuple[int, ...] = ()
        self._events = self._limit_sets = -1
        self._shapes: list[dict[str, Any]] = []
        self._lane: list[dict[str, Any]] = []
        self._cursor_ns = 0
        self._width_ns = 0
        self._crowd_ns = 0
        self._open_gap = False

    def on_message(self, message: dict[str, Any]) -> None:
        """Take in what the page said: a look, or an acknowledgement."""
        if message.get("kind") == "look":
            self.view = parse_view_request(message)
            self._fresh = True
        elif isinstance(message.get("ack"), int):
            self._acknowledged = max(self._acknowledged, min(int(message["ack"]), self._serial))

    def next_messages(self, snapshot: Snapshot, *, note: str = "") -> list[str | bytes]:
        """Return what to send now; nothing while the page is behind or has not said its look."""
        # Before its first look the follower knows nothing, not even that nothing is recorded.
        if self.view is None or snapshot.serial in {0, self._snapshot_serial}:
            return []
        if self._serial - self._acknowledged >= MAX_UNACKNOWLEDGED:
            return []
        self._snapshot_serial = snapshot.serial
        if snapshot.recording is None:
            if self._nothing and not self._fresh:
                return []
            self._nothing, self._fresh, self._recording = True, False, None
            return [json.dumps({"kind": "nothing", "last": note, "ack": self._next()})]
        if snapshot.recording is not self._recording:
            self._recording, self._nothing, self._fresh = snapshot.recording, False, True
        messages: list[str | bytes] = []
        update, picture = self._update(snapshot.recording, snapshot)
        if picture is not None:
            messages.append(json.dumps(picture, separators=(",", ":"), allow_nan=False))
        messages.append(update)
        is_new_sheet = picture is not None and picture["kind"] == "sheet"
        due_ns = LEDGER_EVERY_NS if picture is None else LEDGER_LATEST_NS
        if is_new_sheet or snapshot.now_ns - self._status_ns >= due_ns:
            self._status_ns = snapshot.now_ns
            if is_new_sheet:
                self._sent_status = {}
            words = live_status(
                snapshot.recording,
                latest=snapshot.latest,
                slow=snapshot.slow,
                now_ns=snapshot.present_ns,
                where=reader_zone(self.view.offset_min),
                displays=self.view.displays,
                peaks=snapshot.peaks,
                missing=snapshot.missing,
            )
            if not self._writes:
                words["alerts"] = [{**line, "can": []} for line in words["alerts"]]
            messages.append(
                json.dumps(
                    {
                        "kind": "ledger",
                        "all": not self._sent_status,
                        "said": diff_values(self._sent_status, words),
                    },
                    separators=(",", ":"),
                    ensure_ascii=False,
                    allow_nan=False,
                )
            )
            self._sent_status = words
        return messages

    def _next(self) -> int:
        self._serial += 1
        return self._serial

    def _update(
        self, recording: Recording, snapshot: Snapshot
    ) -> tuple[bytes, dict[str, Any] | None]:
        """Return the binary update, and a sheet or what changes in it when the page needs that."""
        view = self.view
        if view is None:
            raise AssertionError("a page is told nothing before it has said its look")
        now_ns = snapshot.now_ns
        begin_ns = recording.start_ns
        if view.window_s:
            begin_ns = now_ns - round(view.window_s * 1e9)
        max_bins = max(40, round(view.sheet.plot_width / PX_A_BIN))
        count_now = (now_ns - begin_ns) / max(1, self._width_ns)
        silent = not recording.live or any(
            snapshot.present_ns - item.time_ns > SILENT_NS for item in snapshot.latest.values()
        )
        needs_sheet = (
            self._fresh
            or self._width_ns == 0
            or count_now > 1.5 * max_bins
            or self._closed_ns(recording) - self._cursor_ns > 1.5 * max_bins * self._width_ns
            or len(recording.limit_sets) != self._limit_sets
        )
        newest = self._newest(recording, snapshot)
        picture = None
        if not needs_sheet:
            bins = self._closed_bins(recording)
            if self._outside(bins) or self._crowd_changed(recording, begin_ns, now_ns):
                needs_sheet = True
        news = len(recording.read_events()) != self._events or silent != self._open_gap
        self._events = len(recording.read_events())
        self._open_gap = silent
        if needs_sheet:
            self._fresh = False
            self._limit_sets = len(recording.limit_sets)
            self._plan = plan_recording_rows(recording, view.displays)
            self._pens = tuple((pen, row.factor) for row in self._plan for pen in row.pens)
            newest = self._newest(recording, snapshot)
            room_ns = round(view.window_s * 1e9) or max(now_ns - begin_ns, 10_000_000_000)
            self._width_ns = bin_width_ns(room_ns, bins=max_bins)
            self._cursor_ns = begin_ns // self._width_ns * self._width_ns
            start_ns = self._cursor_ns
            bins = self._closed_bins(recording)
            picture = self._sheet(recording, bins, snapshot, begin_ns)
        else:
            if news:
                picture = self._marks(recording, snapshot, begin_ns)
            start_ns = self._cursor_ns - len(bins) * self._width_ns
        update = Update(
            whole=needs_sheet,
            serial=self._next(),
            now_s=(now_ns - recording.start_ns) / 1e9,
            start_s=(start_ns - recording.start_ns) / 1e9,
            width_s=self._width_ns / 1e9,
            newest=newest,
            bins=bins,
        )
        return pack_update(update), picture

    def _closed_ns(self, recording: Recording) -> int:
        """Return where the last closed bin ends."""
        grace_ns = GRACE_NS if recording.live else 0
        return (recording.end_ns - grace_ns) // self._width_ns * self._width_ns

    def _closed_bins(self, recording: Recording) -> Bins:
        """Return the bins that closed since the cursor, and move the cursor behind them."""
        width = self._width_ns
        count = int(max(0, (self._closed_ns(recording) - self._cursor_ns) // width))
        bins = (
            read_bins(recording, self._pens, self._cursor_ns, count, width)
            if count
            else np.empty((0, len(self._pens), 3))
        )
        self._cursor_ns += count * width
        return bins

    def _newest(self, recording: Recording, snapshot: Snapshot) -> NDArray[np.float64]:
        rows = np.full((len(self._pens), 2), np.nan)
        for index, (pen, factor) in enumerate(self._pens):
            item = snapshot.latest.get(pen.joint)
            if item is not None and pen.channel in item.values:
                at_ns, value = item.values[pen.channel]
                rows[index] = (snapshot.now_ns - at_ns) / 1e9, value * factor
        return rows

    def _split(self, values: Bins) -> list[Bins]:
        """Return the bins row by row."""
        edges = np.cumsum([len(row.pens) for row in self._plan])[:-1]
        return list(np.split(values, edges, axis=1))

    def _outside(self, bins: Bins) -> bool:
        for axis, values in zip(self._axes, self._split(bins), strict=True):
            ends = values[:, :, :2]
            if ends.size and (np.nanmin(np.append(ends, axis.low)) < axis.low
                              or np.nanmax(np.append(ends, axis.high)) > axis.high):  # fmt: skip
                return True
        return False

    def _crowd_changed(self, recording: Recording, begin_ns: int, now_ns: int) -> bool:
        """Return whether a row should change between lines and bands; looked at now and then."""
        if now_ns - self._crowd_ns < max(5_000_000_000, (now_ns - begin_ns) // 6):
            return False
        self._crowd_ns = now_ns
        start = max(begin_ns, recording.start_ns) // self._width_ns * self._width_ns
        count = int(max(0, (self._cursor_ns - start) // self._width_ns))
        bins = read_bins(recording, self._pens, start, count, self._width_ns)
        return self._crowds(bins, now_ns - begin_ns) != self._bands

    def _crowds(self, bins: Bins, room_ns: int) -> tuple[int, ...]:
        """Return for each row how many bins make a bucket of its bands; 0: it is drawn as lines."""
        width_px = self.view.sheet.plot_width if self.view is not None else 1
        bins_a_px = room_ns / (width_px * self._width_ns)
        groups_by_row = []
        for row, values in zip(self._plan, self._split(bins), strict=True):
            measured = [index for index, pen in enumerate(row.pens) if not pen.setpoint]
            if row.quantity == "temperature":
                # It drifts and flickers by a count; it has no cycles to be told apart.
                measured = []
            min_span = row.min_span
            groups = [max(1, round(bucket_px * bins_a_px)) for bucket_px in BAND_BUCKET_PX]
            groups_by_row.append(
                next(
                    (
                        group
                        for group in groups
                        if any(_is_crowded_row(values[:, k, :2], group, min_span) for k in measured)
                    ),
                    0,
                )
            )
        return tuple(groups_by_row)

    def _sheet(
        self, recording: Recording, bins: Bins, snapshot: Snapshot, begin_ns: int
    ) -> dict[str, Any]:
        view = self.view
        if view is None:
            raise AssertionError("a page is told nothing before it has said its look")
        self._bands = self._crowds(bins, max(snapshot.now_ns - begin_ns, 10 * S))
        self._crowd_ns = snapshot.now_ns
        empty = np.empty(0)
        rows, filled = [], []
        for plan, values, band in zip(self._plan, self._split(bins), self._bands, strict=True):
            shown_pens = [
                (index, pen) for index, pen in enumerate(plan.pens) if not (band and pen.setpoint)
            ]
            bucket = band * self._width_ns / 1e9 if band else math.nan
            low = np.fmin(values[:, :, 0], values[:, :, 1])
            high = np.fmax(values[:, :, 0], values[:, :, 1])
            lines: list[Line | Band] = [
                Band(pen=pen, x=empty, minimum=empty, maximum=empty, mean=empty)
                if band
                else Line(pen=pen, x=empty, y=empty)
                for _, pen in shown_pens
            ]
            full = [
                Line(pen=pen, x=empty, y=np.concatenate([low[:, index], high[:, index]]))
                for index, pen in shown_pens
            ]
            rows.append(ReadRow(plan=plan, lines=tuple(lines), bucket_s=bucket))
            filled.append(ReadRow(plan=plan, lines=tuple(full), bucket_s=bucket))
        annotations = self._read_annotations(recording, begin_ns)
        self._axes = row_axes(filled, annotations, view.sheet)
        figure = rows_figure(
            rows,
            annotations,
            start_s=(begin_ns - recording.start_ns) / 1e9,
            end_s=(snapshot.now_ns - recording.start_ns) / 1e9,
            epoch_ms=recording.start_ns / 1e6,
            sheet=view.sheet,
            theme=view.theme,
            axes=self._axes,
        )
        index = {(pen.joint, pen.channel): k for k, (pen, _) in enumerate(self._pens)}
        group_of = {
            (pen.joint, pen.channel): band
            for row, band in zip(self._plan, self._bands, strict=True)
            for pen in row.pens
        }
        for trace in figure["data"]:
            pen_key = (trace["meta"]["joint"], trace["meta"]["channel"])
            trace["meta"] |= {"at": index[pen_key], "group": group_of[pen_key]}
        self._shapes = _round_marks(figure["layout"]["shapes"])
        self._lane = _round_marks(figure["layout"]["meta"]["lane"])
        return {
            "kind": "sheet",
            "window_s": view.window_s,
            "path": recording.path.name,
            "figure": figure,
        }

    def _read_annotations(self, recording: Recording, begin_ns: int) -> Annotations:
        displays = self.view.displays if self.view is not None else DEFAULT_DISPLAYS
        return read_annotations(
            recording, self._plan, begin_ns, None, open_gap=self._open_gap, displays=displays
        )

    def _marks(self, recording: Recording, snapshot: Snapshot, begin_ns: int) -> dict[str, Any]:
        """Return what alerts, gaps and notes change in the sheet that the page has."""
        view = self.view
        if view is None:
            raise AssertionError("a page is told nothing before it has said its look")
        shapes, lane = window_marks(
            self._read_annotations(recording, begin_ns),
            start_s=(begin_ns - recording.start_ns) / 1e9,
            end_s=(snapshot.now_ns - recording.start_ns) / 1e9,
            sheet=view.sheet,
            theme=view.theme,
        )
        message = {
            "kind": "marks",
            "shapes": list_edits(self._shapes, _round_marks(shapes)),
            "lane": list_edits(self._lane, _round_marks(lane)),
        }
        self._shapes, self._lane = shapes, lane
        return message


def _round_marks(marks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return marks with their ends in milliseconds, so that they stay the same and stay short.

    An end that moves with the page's now stands at its beginning until then.
    """
    for mark in marks:
        if mark.get("name") == "open":
            mark["x1"] = mark["x0"]
        mark |= {key: round(mark[key], 3) for key in ("x0", "x1") if mark[key] is not None}
    return marks


def _is_crowded_row(ends: Bins, group: int, min_span: float) -> bool:
    """Return whether buckets of `group` bins mostly hold whole cycles; `ends` of shape (n, 2)."""
    count = len(ends) // group
    buckets = ends[: count * group].reshape(count, group * 2)
    whole_buckets = buckets[~np.isnan(buckets).any(axis=1)]
    return bool(len(whole_buckets)) and is_crowded(
        whole_buckets.min(axis=1), whole_buckets.max(axis=1), min_range=min_span
    )
