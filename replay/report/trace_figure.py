"""The overview of a joint as a figure: rows of traces, limits, alerts, gaps and notes. Pure.

Black, white and grey alone. Traces of one row are told apart by dash and by their names at their
ends; a warning is a grey bar with a triangle, a trip a black one with an octagon. The figure has a
title and a description in words for who hears it.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from replay.report.markup import Markup, element
from replay.report.texts import clock_text, counted, length_text
from replay.report.traces import Trace, TraceRow

__all__ = ["FigureAlert", "FigureGap", "FigureNote", "TraceFigure", "draw_trace_figure"]

_Scale: TypeAlias = Callable[[Floats | float], NDArray[np.float64]]
"""Values to their heights in a row."""
_WIDTH: Final = 680.0
_LEFT: Final = 92.0
_RIGHT: Final = 546.0
_LANE: Final = 30.0
_ROW_HEIGHTS: Final = {"temperature": 140.0, "torque": 104.0, "current": 104.0}
_OTHER_ROW: Final = 62.0
_BETWEEN: Final = 18.0
_FOOT: Final = 36.0
_DASHES: Final = ("none", "6 2.5", "1.5 2", "7 2 1.5 2")
_TINTS: Final = ("#d2d2d2", "#dedede", "#e8e8e8", "#efefef")
_INK: Final = "#000"
_GREY: Final = "#595959"
_HAIR: Final = "#c8c8c8"
_LABEL_GAP: Final = 11.0
_NICE: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_TIME_STEPS_S: Final = (
    *(1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14_400, 21_600, 43_200),
    *(86_400, 172_800, 604_800),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureAlert:
    """One alert in the lane, in s since the start."""

    start_s: float
    end_s: float
    is_trip: bool
    number: int
    """In the table below the figure; 0: not in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureGap:
    """A span without frames, in s since the start."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureNote:
    """A note, in s since the start, with its letter in the list of notes."""

    at_s: float
    letter: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceFigure:
    """What is drawn."""

    ident: str
    """Unique within the document."""
    label: str
    """Of the joint."""
    start_ns: int
    length_s: float
    rows: tuple[TraceRow, ...]
    alerts: tuple[FigureAlert, ...]
    gaps: tuple[FigureGap, ...]
    notes: tuple[FigureNote, ...]


def draw_trace_figure(figure: TraceFigure) -> Markup:
    """Return the figure as inline SVG, with title and description."""
    heights = [_ROW_HEIGHTS.get(row.quantity, _OTHER_ROW) for row in figure.rows]
    foot = _LANE + sum(heights) + _BETWEEN * (len(heights) - 1)
    content = [
        element("title", f"Overview of {figure.label}", id=f"{figure.ident}-title"),
        element("desc", figure_words(figure), id=f"{figure.ident}-desc"),
        element(
            "clipPath",
            element("rect", x=_LEFT, y=0.0, width=_RIGHT - _LEFT, height=foot),
            id=f"{figure.ident}-plot",
        ),
    ]
    content += _gaps(figure, foot)
    top = _LANE
    for row, height in zip(figure.rows, heights, strict=True):
        content += _draw_row(row, figure, top, height)
        top += height + _BETWEEN
    content += [*_notes(figure, foot), *_lane(figure), *_time_axis(figure, foot)]
    return element(
        "svg",
        *content,
        viewBox=f"0 0 {_WIDTH:g} {foot + _FOOT:g}",
        role="img",
        aria_labelledby=f"{figure.ident}-title {figure.ident}-desc",
        class_="traces",
    )


def figure_words(figure: TraceFigure) -> str:
    """Return what a figure shows, for who does not see it."""
    words = [f"{figure.label} over {length_text(figure.length_s)}."]
    for row in figure.rows:
        for trace in row.traces:
            low, high = np.nanmin(trace.lowest), np.nanmax(trace.highest)
            name = f"{row.title}, {trace.label}" if trace.label else row.title
            words.append(
                f"{name[:1].upper()}{name[1:]}: {low:.{row.decimals}f} to "
                f"{high:.{row.decimals}f} {row.unit}."
            )
    trips = sum(alert.is_trip for alert in figure.alerts)
    alerts = len(figure.alerts)
    words.append(f"{counted(alerts, 'alert').capitalize()}, {trips} of them trips; ")
    words[-1] += f"{counted(len(figure.gaps), 'gap')}."
    return " ".join(words)


def _x(figure: TraceFigure, at_s: float | Floats) -> NDArray[np.float64]:
    share = np.clip(np.asarray(at_s, float) / max(figure.length_s, 1e-9), 0.0, 1.0)
    return np.asarray(_LEFT + share * (_RIGHT - _LEFT))


def _draw_row(row: TraceRow, figure: TraceFigure, top: float, height: float) -> Iterator[Markup]:
    ticks = _ticks(row, height)
    low, high = ticks[0], ticks[-1]

    def y(value: Floats | float) -> NDArray[np.float64]:
        share = (np.asarray(value, float) - low) / (high - low)
        return np.asarray(top + height * (1.0 - np.clip(share, 0.0, 1.0)))

    yield _text(0.0, top + 9.0, row.title[:1].upper() + row.title[1:], size=10.0, weight="bold")
    yield _text(0.0, top + 20.0, row.unit, size=8.5, fill=_GREY)
    digits = _digits(ticks)
    for tick in ticks:
        at = float(y(tick))
        is_zero = tick == 0.0 and low < 0.0
        yield _draw_line(_LEFT, at, _RIGHT, at, stroke=_GREY if is_zero else _HAIR, width=0.6)
        text = f"{abs(tick):.{digits}f}"
        text = f"\u2212{text}" if tick < 0.0 else text
        yield _text(_LEFT - 5.0, at + 3.0, text, size=8.0, anchor="end", fill=_GREY)
    inside = [
        *(_band_path(trace, figure, y, at) for at, trace in enumerate(row.traces)),
        *(_middle_path(trace, figure, y, at) for at, trace in enumerate(row.traces)),
    ]
    yield element("g", *inside, clip_path=f"url(#{figure.ident}-plot)")
    labels = []
    for level in row.levels:
        if not low <= level.value <= high:
            continue
        at = float(y(level.value))
        yield _draw_line(_LEFT, at, _RIGHT, at, width=1.3 if level.is_trip else 0.9)
        labels.append((at, level.label, "bold" if level.is_trip else "normal", "none"))
    for number, trace in enumerate(row.traces):
        last = trace.middle[np.isfinite(trace.middle)]
        if len(last) and trace.label:
            labels.append((float(y(last[-1])), trace.label, "normal", _DASHES[number]))
    yield from _right_labels(labels, top, height)
    yield _text(_RIGHT, top + height + 10.0, row.note, size=7.5, anchor="end", fill=_GREY)


def _right_labels(
    labels: Sequence[tuple[float, str, str, str]], top: float, height: float
) -> Iterator[Markup]:
    """Yield labels beside their lines, moved apart where these are near to each other."""
    wanted = sorted(labels)
    places = _apart([label[0] for label in wanted], top + 3.0, top + height)
    for place, (at, text, weight, dash) in zip(places, wanted, strict=True):
        start = _RIGHT + 3.0
        yield _draw_line(_RIGHT, at, start + 6.0, place, stroke=_GREY, width=0.5)
        if dash != "none":
            yield _draw_line(start + 6.0, place, start + 22.0, place, dash=dash, width=1.3)
            start += 18.0
        yield _text(start + 9.0, place + 3.0, text, size=8.0, weight=weight)


def _apart(wanted: Sequence[float], top: float, foot: float) -> list[float]:
    """Return places in order that are near to those wanted and `_LABEL_GAP` from each other."""
    places: list[float] = []
    for at in wanted:
        places.append(max(at, places[-1] + _LABEL_GAP if places else top))
    limit = max(foot, top + _LABEL_GAP * (len(places) - 1))
    for number in reversed(range(len(places))):
        places[number] = min(places[number], limit)
        limit = places[number] - _LABEL_GAP
    return places


def _runs(trace: Trace) -> Iterator[slice]:
    """Yield the stretches of buckets without a gap."""
    known = np.concatenate(([False], np.isfinite(trace.middle), [False]))
    edges = np.flatnonzero(np.diff(known.astype(np.int8)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        yield slice(int(begin), int(end))


def _band_path(trace: Trace, figure: TraceFigure, y: _Scale, number: int) -> Markup:
    path = []
    for run in _runs(trace):
        xs = np.repeat(_x(figure, trace.edges_s[run.start : run.stop + 1]), 2)[1:-1]
        upper, lower = (np.repeat(y(side[run]), 2) for side in (trace.highest, trace.lowest))
        there = [*zip(xs, upper, strict=True)]
        back = [*zip(xs[::-1], lower[::-1], strict=True)]
        path.append(f"M{_points([*there, *back])}Z")
    return element("path", d="".join(path), fill=_TINTS[number % len(_TINTS)], stroke="none")


def _middle_path(trace: Trace, figure: TraceFigure, y: _Scale, number: int) -> Markup:
    path = []
    for run in _runs(trace):
        edges = _x(figure, trace.edges_s[run.start : run.stop + 1])
        xs = (edges[1:] + edges[:-1]) / 2.0
        path.append(f"M{_points([*zip(xs, y(trace.middle[run]), strict=True)])}")
    return element(
        "path",
        d="".join(path),
        fill="none",
        stroke=_INK,
        stroke_width=1.2,
        stroke_dasharray=_DASHES[number % len(_DASHES)],
        stroke_linejoin="round",
    )


def _points(points: Sequence[tuple[float, float]]) -> str:
    return "L".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _gaps(figure: TraceFigure, foot: float) -> Iterator[Markup]:
    for gap in figure.gaps:
        begin, end = float(_x(figure, gap.start_s)), float(_x(figure, gap.end_s))
        yield element(
            "rect",
            x=begin,
            y=_LANE,
            width=max(end - begin, 0.6),
            height=foot - _LANE,
            fill="#f2f2f2",
            stroke=_GREY,
            stroke_width=0.5,
            stroke_dasharray="3 2",
        )


_NOTE_WIDTH: Final = 14.0
"""Of a letter or two beside their line."""


def _notes(figure: TraceFigure, foot: float) -> Iterator[Markup]:
    """Yield a line with its letter for each note; of those that stand close a tick, no letter."""
    free_from = -math.inf
    for note in sorted(figure.notes, key=lambda one: one.at_s):
        at = float(_x(figure, note.at_s))
        if at < free_from:
            yield _draw_line(at, _LANE - 4.0, at, _LANE, width=0.9)
            continue
        yield _draw_line(at, _LANE - 4.0, at, foot, dash="1.2 2.4", width=0.9)
        yield _text(at + 2.0, _LANE + 6.0, note.letter, size=8.0, style="italic")
        free_from = at + _NOTE_WIDTH


def _lane(figure: TraceFigure) -> Iterator[Markup]:
    """Yield a bar for each alert, and a mark with its number where there is room for one."""
    trips = [alert for alert in figure.alerts if alert.is_trip]
    others = [alert for alert in figure.alerts if not alert.is_trip]
    free_from = -math.inf
    for alert in (*others, *trips):
        begin, end = float(_x(figure, alert.start_s)), float(_x(figure, alert.end_s))
        yield element(
            "rect",
            x=begin,
            y=_LANE - 8.0,
            width=max(end - begin, 0.8),
            height=5.0,
            fill=_INK if alert.is_trip else "#9a9a9a",
        )
    for alert in sorted(figure.alerts, key=lambda one: (one.start_s, one.number)):
        begin = float(_x(figure, alert.start_s))
        if alert.number and begin >= free_from:
            yield _mark(begin + 4.0, _LANE - 16.0, is_trip=alert.is_trip)
            yield _text(begin + 10.0, _LANE - 13.0, str(alert.number), size=8.0)
            free_from = begin + 17.0 + 5.0 * len(str(alert.number))


def _mark(x: float, y: float, *, is_trip: bool) -> Markup:
    if is_trip:
        turns = [math.pi * (corner / 4 + 1 / 8) for corner in range(8)]
        corners = [(x + 4.2 * math.cos(turn), y + 4.2 * math.sin(turn)) for turn in turns]
    else:
        corners = [(x - 4.0, y + 3.6), (x, y - 3.8), (x + 4.0, y + 3.6)]
    fill = _INK if is_trip else "#fff"
    return element("path", d=f"M{_points(corners)}Z", fill=fill, stroke=_INK, stroke_width=1.0)


def _time_axis(figure: TraceFigure, foot: float) -> Iterator[Markup]:
    yield _draw_line(_LEFT, foot, _RIGHT, foot, width=1.0)
    step = next((one for one in _TIME_STEPS_S if figure.length_s / one <= 7.5), _TIME_STEPS_S[-1])
    count = int(figure.length_s // step)
    for number in range(count + 1):
        at = float(_x(figure, number * step))
        yield _draw_line(at, foot, at, foot + 4.0, width=1.0)
        elapsed = f"{number * step // 3600} h" if step >= 3600 else length_text(number * step)
        yield _text(at, foot + 22.0, elapsed, size=8.0, anchor="middle", fill=_GREY)
        clock = clock_text(figure.start_ns + number * step * 10**9)
        clock = clock if step < 60 else clock[:5]
        yield _text(at, foot + 32.0, clock, size=7.5, anchor="middle", fill=_GREY)
    yield _text(0.0, foot + 22.0, "since start", size=8.0, fill=_GREY)
    yield _text(0.0, foot + 32.0, "clock, UTC", size=7.5, fill=_GREY)


def _ticks(row: TraceRow, height: float) -> list[float]:
    """Return round values that enclose the traces, and levels of limits that are not far off."""
    low = min(float(np.nanmin(trace.lowest)) for trace in row.traces)
    high = max(float(np.nanmax(trace.highest)) for trace in row.traces)
    reach = max(high - low, abs(high) * 0.02, 0.1)
    for level in row.levels:
        if low - 0.6 * reach <= level.value <= high + 0.6 * reach:
            low, high = min(low, level.value), max(high, level.value)
    most = max(int(height // 26), 2)
    span = max(high - low, abs(high) * 0.02, 0.1)
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(nice * power for nice in _NICE if nice * power >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    if last <= first:
        last = first + 1
    return [number * step for number in range(first, last + 1)]


def _digits(ticks: Sequence[float]) -> int:
    step = min(after - before for before, after in pairwise(ticks))
    text = f"{step:.6f}".rstrip("0")
    return min(len(text.partition(".")[2]), 3)


def _text(
    x: float,
    y: float,
    text: str,
    *,
    size: float,
    anchor: str = "start",
    weight: str = "normal",
    fill: str = _INK,
    style: str = "normal",
) -> Markup:
    return element(
        "text",
        text,
        x=x,
        y=y,
        font_size=size,
        text_anchor=anchor,
        font_weight=weight,
        fill=fill,
        font_style=style,
    )


def _draw_line(
    x0: float,
    y0: float,
    x1: float,
    y1: float,
    *,
    stroke: str = _INK,
    width: float,
    dash: str = "none",
) -> Markup:
    return element(
        "line",
        x1=x0,
        y1=y0,
        x2=x1,
        y2=y1,
        stroke=stroke,
        stroke_width=width,
        stroke_dasharray=dash,
    )
