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

from dashboard.figures.annotations import Furniture
from dashboard.figures.axes import Axis, Pen, Planned
from dashboard.figures.lines import Band, Line, crowded
from dashboard.figures.rows import axes_of, marks_of, rows_figure
from dashboard.figures.sheet import Sheet, sheet_of
from dashboard.live.follower import Moment
from dashboard.live.json_patch import changed, splices
from dashboard.live.status import ledger_of
from dashboard.live.wire_format import Update, pack
from dashboard.plot_data import BAND_PX, Bins, Row, furniture_of, plan_of, read_bins
from dashboard.text.theme import LIGHT, THEMES, Theme, zone
from dashboard.text.units import PLAIN, Displays, displays_of
from replay.recording import Recording
from replay.window import bin_width_ns

__all__ = ["Look", "Tab", "look_of"]

S: Final = 1_000_000_000
UNACKNOWLEDGED_MOST: Final = 2
LEDGER_EVERY_NS: Final = 240_000_000
LEDGER_LATEST_NS: Final = 2 * LEDGER_EVERY_NS
"""When it is said even beside marks: an update is to stay small."""
SILENT_NS: Final = 2_000_000_000
GRACE_NS: Final = 60_000_000
"""A bin is closed that long after its end: joints are not written in the same instant."""
PX_A_BIN: Final = 1.4
"""The least; the ladder of bin widths makes it up to two and a half times as much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a page shows: its window in seconds (0: the whole test), its size, its theme."""

    window_s: float
    sheet: Sheet
    theme: Theme
    offset_min: float
    displays: Displays = field(default_factory=lambda: PLAIN)


def look_of(said: dict[str, Any]) -> Look:
    """Return the look that a page asks for; what it says amiss is brought into range."""

    def figure(key: str, otherwise: float) -> float:
        value = said.get(key)
        plain = isinstance(value, int | float) and math.isfinite(value)
        return float(value) if plain and value is not None else otherwise

    window_s = figure("window_s", 300.0)
    return Look(
        window_s=0.0 if window_s <= 0 else min(max(window_s, 1.0), 7 * 86400.0),
        sheet=sheet_of(str(said.get("form")), figure("width", 1200), figure("height", 440)),
        theme=THEMES.get(str(said.get("theme")), LIGHT),
        offset_min=figure("offset_min", 0.0),
        displays=displays_of(str(said.get("position")), str(said.get("speed"))),
    )


class Tab:
    """One open page. `next_messages` is called with each moment; `heard` with each word from it."""

    def __init__(self, *, writes: bool = True) -> None:
        """Begin; without `writes` no alert is offered to be acknowledged or shelved."""
        self.look: Look | None = None
        self._writes = writes
        self._told: Recording | None = None
        self._nothing = False
        self._serial = 0
        self._acknowledged = 0
        self._moment = -1
        self._ledger_ns = 0
        self._said: dict[str, Any] = {}
        self._fresh = True
        self._plan: tuple[Planned, ...] = ()
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

    def heard(self, said: dict[str, Any]) -> None:
        """Take in what the page said: a look, or an acknowledgement."""
        if said.get("kind") == "look":
            self.look = look_of(said)
            self._fresh = True
        elif isinstance(said.get("ack"), int):
            self._acknowledged = max(self._acknowledged, min(int(said["ack"]), self._serial))

    def next_messages(self, moment: Moment, *, note: str = "") -> list[str | bytes]:
        """Return what to send now; nothing while the page is behind or has not said its look."""
        # Before its first look the follower knows nothing, not even that nothing is recorded.
        if self.look is None or moment.serial in {0, self._moment}:
            return []
        if self._serial - self._acknowledged >= UNACKNOWLEDGED_MOST:
            return []
        self._moment = moment.serial
        if moment.recording is None:
            if self._nothing and not self._fresh:
                return []
            self._nothing, self._fresh, self._told = True, False, None
            return [json.dumps({"kind": "nothing", "last": note, "ack": self._next()})]
        if moment.recording is not self._told:
            self._told, self._nothing, self._fresh = moment.recording, False, True
        messages: list[str | bytes] = []
        update, picture = self._update(moment.recording, moment)
        if picture is not None:
            messages.append(json.dumps(picture, separators=(",", ":"), allow_nan=False))
        messages.append(update)
        whole = picture is not None and picture["kind"] == "sheet"
        due_ns = LEDGER_EVERY_NS if picture is None else LEDGER_LATEST_NS
        if whole or moment.now_ns - self._ledger_ns >= due_ns:
            self._ledger_ns = moment.now_ns
            if whole:
                self._said = {}
            words = ledger_of(
                moment.recording,
                latest=moment.latest,
                slow=moment.slow,
                now_ns=moment.present_ns,
                where=zone(self.look.offset_min),
                displays=self.look.displays,
                peaks=moment.peaks,
                missing=moment.missing,
            )
            if not self._writes:
                words["alerts"] = [{**line, "can": []} for line in words["alerts"]]
            messages.append(
                json.dumps(
                    {"kind": "ledger", "all": not self._said, "said": changed(self._said, words)},
                    separators=(",", ":"),
                    ensure_ascii=False,
                    allow_nan=False,
                )
            )
            self._said = words
        return messages

    def _next(self) -> int:
        self._serial += 1
        return self._serial

    def _update(self, recording: Recording, moment: Moment) -> tuple[bytes, dict[str, Any] | None]:
        """Return the binary update, and a sheet or what changes in it when the page needs that."""
        look = self.look
        if look is None:
            raise AssertionError("a page is told nothing before it has said its look")
        now_ns = moment.now_ns
        begin_ns = recording.start_ns
        if look.window_s:
            begin_ns = now_ns - round(look.window_s * 1e9)
        most = max(40, round(look.sheet.plot_width / PX_A_BIN))
        count_now = (now_ns - begin_ns) / max(1, self._width_ns)
        silent = not recording.live or any(
            moment.present_ns - item.time_ns > SILENT_NS for item in moment.latest.values()
        )
        whole = (
            self._fresh
            or self._width_ns == 0
            or count_now > 1.5 * most
            or self._closed_ns(recording) - self._cursor_ns > 1.5 * most * self._width_ns
            or len(recording.limit_sets) != self._limit_sets
        )
        newest = self._newest(recording, moment)
        picture = None
        if not whole:
            bins = self._closed_bins(recording)
            if self._outside(bins) or self._crowd_changed(recording, begin_ns, now_ns):
                whole = True
        news = len(recording.events()) != self._events or silent != self._open_gap
        self._events = len(recording.events())
        self._open_gap = silent
        if whole:
            self._fresh = False
            self._limit_sets = len(recording.limit_sets)
            self._plan = plan_of(recording, look.displays)
            self._pens = tuple((pen, row.factor) for row in self._plan for pen in row.pens)
            newest = self._newest(recording, moment)
            room_ns = round(look.window_s * 1e9) or max(now_ns - begin_ns, 10_000_000_000)
            self._width_ns = bin_width_ns(room_ns, bins=most)
            self._cursor_ns = begin_ns // self._width_ns * self._width_ns
            start_ns = self._cursor_ns
            bins = self._closed_bins(recording)
            picture = self._sheet(recording, bins, moment, begin_ns)
        else:
            if news:
                picture = self._marks(recording, moment, begin_ns)
            start_ns = self._cursor_ns - len(bins) * self._width_ns
        update = Update(
            whole=whole,
            serial=self._next(),
            now_s=(now_ns - recording.start_ns) / 1e9,
            start_s=(start_ns - recording.start_ns) / 1e9,
            width_s=self._width_ns / 1e9,
            newest=newest,
            bins=bins,
        )
        return pack(update), picture

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

    def _newest(self, recording: Recording, moment: Moment) -> NDArray[np.float64]:
        rows = np.full((len(self._pens), 2), np.nan)
        for index, (pen, factor) in enumerate(self._pens):
            item = moment.latest.get(pen.joint)
            if item is not None and pen.channel in item.values:
                at_ns, value = item.values[pen.channel]
                rows[index] = (moment.now_ns - at_ns) / 1e9, value * factor
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
        width_px = self.look.sheet.plot_width if self.look is not None else 1
        bins_a_px = room_ns / (width_px * self._width_ns)
        found = []
        for row, values in zip(self._plan, self._split(bins), strict=True):
            measured = [index for index, pen in enumerate(row.pens) if not pen.setpoint]
            if row.quantity == "temperature":
                # It drifts and flickers by a count; it has no cycles to be told apart.
                measured = []
            least = row.least_room
            groups = [max(1, round(bucket_px * bins_a_px)) for bucket_px in BAND_PX]
            found.append(
                next(
                    (
                        group
                        for group in groups
                        if any(_crowded(values[:, k, :2], group, least) for k in measured)
                    ),
                    0,
                )
            )
        return tuple(found)

    def _sheet(
        self, recording: Recording, bins: Bins, moment: Moment, begin_ns: int
    ) -> dict[str, Any]:
        look = self.look
        if look is None:
            raise AssertionError("a page is told nothing before it has said its look")
        self._bands = self._crowds(bins, max(moment.now_ns - begin_ns, 10 * S))
        self._crowd_ns = moment.now_ns
        empty = np.empty(0)
        rows, filled = [], []
        for plan, values, band in zip(self._plan, self._split(bins), self._bands, strict=True):
            shown = [
                (index, pen) for index, pen in enumerate(plan.pens) if not (band and pen.setpoint)
            ]
            bucket = band * self._width_ns / 1e9 if band else math.nan
            low = np.fmin(values[:, :, 0], values[:, :, 1])
            high = np.fmax(values[:, :, 0], values[:, :, 1])
            lines: list[Line | Band] = [
                Band(pen=pen, x=empty, minimum=empty, maximum=empty, mean=empty)
                if band
                else Line(pen=pen, x=empty, y=empty)
                for _, pen in shown
            ]
            full = [
                Line(pen=pen, x=empty, y=np.concatenate([low[:, index], high[:, index]]))
                for index, pen in shown
            ]
            rows.append(Row(plan=plan, lines=tuple(lines), bucket_s=bucket))
            filled.append(Row(plan=plan, lines=tuple(full), bucket_s=bucket))
        furniture = self._furniture(recording, begin_ns)
        self._axes = axes_of(filled, furniture, look.sheet)
        figure = rows_figure(
            rows,
            furniture,
            start_s=(begin_ns - recording.start_ns) / 1e9,
            end_s=(moment.now_ns - recording.start_ns) / 1e9,
            epoch_ms=recording.start_ns / 1e6,
            sheet=look.sheet,
            theme=look.theme,
            axes=self._axes,
        )
        index = {(pen.joint, pen.channel): k for k, (pen, _) in enumerate(self._pens)}
        group_of = {
            (pen.joint, pen.channel): band
            for row, band in zip(self._plan, self._bands, strict=True)
            for pen in row.pens
        }
        for trace in figure["data"]:
            place = (trace["meta"]["joint"], trace["meta"]["channel"])
            trace["meta"] |= {"at": index[place], "group": group_of[place]}
        self._shapes = _steady(figure["layout"]["shapes"])
        self._lane = _steady(figure["layout"]["meta"]["lane"])
        return {
            "kind": "sheet",
            "window_s": look.window_s,
            "path": recording.path.name,
            "figure": figure,
        }

    def _furniture(self, recording: Recording, begin_ns: int) -> Furniture:
        displays = self.look.displays if self.look is not None else PLAIN
        return furniture_of(
            recording, self._plan, begin_ns, None, open_gap=self._open_gap, displays=displays
        )

    def _marks(self, recording: Recording, moment: Moment, begin_ns: int) -> dict[str, Any]:
        """Return what alerts, gaps and notes change in the sheet that the page has."""
        look = self.look
        if look is None:
            raise AssertionError("a page is told nothing before it has said its look")
        shapes, lane = marks_of(
            self._furniture(recording, begin_ns),
            start_s=(begin_ns - recording.start_ns) / 1e9,
            end_s=(moment.now_ns - recording.start_ns) / 1e9,
            sheet=look.sheet,
            theme=look.theme,
        )
        told = {
            "kind": "marks",
            "shapes": splices(self._shapes, _steady(shapes)),
            "lane": splices(self._lane, _steady(lane)),
        }
        self._shapes, self._lane = shapes, lane
        return told


def _steady(marks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return marks with their ends in milliseconds, so that they stay the same and stay short.

    An end that moves with the page's now stands at its beginning until then.
    """
    for mark in marks:
        if mark.get("name") == "open":
            mark["x1"] = mark["x0"]
        mark |= {key: round(mark[key], 3) for key in ("x0", "x1") if mark[key] is not None}
    return marks


def _crowded(ends: Bins, group: int, least: float) -> bool:
    """Return whether buckets of `group` bins mostly hold whole cycles; `ends` of shape (n, 2)."""
    count = len(ends) // group
    buckets = ends[: count * group].reshape(count, group * 2)
    held = buckets[~np.isnan(buckets).any(axis=1)]
    return bool(len(held)) and crowded(held.min(axis=1), held.max(axis=1), least=least)
