"""The channel that is watched while somebody measures: its newest value, and its trace. Reads rows.

The value is to be read from the bench, two metres away; the trace shows the spans that were marked.
"""

import math
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any, Final

import numpy as np

from dashboard.figures.style import rgba_colour
from dashboard.measure.question import MarkedSpan
from dashboard.text.format import format_duration, format_elapsed, format_number
from dashboard.text.theme import Theme, channel_label, display_of, plotly_template
from dashboard.text.units import Displays
from logger.arrays import to_ns, to_s
from logger.joint.channels import channel_named, is_channel
from replay.recording import Recording
from replay.window import read_polyline

__all__ = ["course_figure", "newest_value", "watched_channel"]

COURSE_HEIGHT_PX: Final = 190
NEWEST_S: Final = 1.0
STALE_S: Final = 3.0
LIVE_WINDOW_S: Final = 60.0
BINS: Final = 400
TICKS: Final = 5
_DIRECTED: Final = frozenset({"torque", "current", "speed", "position"})
_NICE_S: Final = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 21600)


def watched_channel(recording: Recording, joint: str, wanted: Iterable[str]) -> str:
    """Return the first of the wanted channels that the joint reports; "" for none."""
    known = recording.channels(joint)
    return next((one for one in wanted if one in known), "")


def newest_value(
    recording: Recording, joint: str, channel: str, displays: Displays
) -> dict[str, Any] | None:
    """Return the newest value of a channel as it is read; None where it has none.

    `at` is the mean over the last second as it is typed behind "at", "" where nothing is typed in
    that unit.
    """
    newest_ns = recording.newest_ns(joint)
    if newest_ns is None or not channel:
        return None
    time_ns, values = recording.read_readings(
        joint, newest_ns - to_ns(NEWEST_S), newest_ns + 1, channels=[channel]
    ).channel_series(channel)
    if not len(values):
        return None
    display = display_of(channel, displays)
    shown = float(values[-1]) * display.factor
    age_s = to_s(recording.end_ns - int(time_ns[-1]))
    is_stale = recording.live and age_s > STALE_S
    return {
        "channel": channel,
        "label": channel_label(channel).capitalize(),
        "value": _signed(channel, shown, _decimals(shown, display.decimals)),
        "unit": display.unit,
        "at": _typed_at(channel, float(np.mean(values))),
        "age": f"no data for {format_duration(age_s)}" if is_stale else "",
    }


def course_figure(
    recording: Recording,
    joint: str,
    channel: str,
    *,
    spans: Sequence[MarkedSpan],
    pen: int,
    theme: Theme,
    displays: Displays,
    is_narrow: bool,
) -> dict[str, Any] | None:
    """Return the trace of a channel with the marked spans, None without one.

    Of a live recording the last minute, or since the first span that is open; of another all.
    """
    if not channel:
        return None
    whole_s = max(to_s(recording.end_ns - recording.start_ns), 1e-3)
    opened = [one.begin_s for one in spans if one.end_s is None]
    start_s = 0.0
    if recording.live:
        start_s = max(min([whole_s - LIVE_WINDOW_S, *opened]), 0.0)
    start_ns = recording.start_ns + to_ns(start_s)
    time_ns, values = read_polyline(
        recording, joint, channel, start_ns, recording.end_ns, bins=BINS
    )
    display = display_of(channel, displays)
    x = to_s(time_ns - recording.start_ns)
    ticks = _course_ticks(start_s, whole_s, 3 if is_narrow else TICKS)
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "x": [round(one, 3) for one in x.tolist()],
                "y": [round(one * display.factor, 4) for one in values.tolist()],
                "line": {"color": theme.pen_colour(pen), "width": 1.6},
                "hoverinfo": "skip",
                "connectgaps": False,
            }
        ],
        "layout": {
            "template": plotly_template(theme, size_px=12.0),
            "height": COURSE_HEIGHT_PX,
            "margin": {"l": 52, "r": 16, "t": 26, "b": 34},
            "xaxis": {
                "range": [start_s, whole_s],
                "showline": True,
                "linecolor": theme.ink,
                "tickvals": ticks,
                "ticktext": [format_elapsed(one) for one in ticks],
                "tickangle": 0,
            },
            "yaxis": {"nticks": 4, "zeroline": True},
            **({} if recording.live else {"dragmode": "select", "selectdirection": "h"}),
            "shapes": [*_span_shapes(spans, start_s, whole_s, theme)],
            "annotations": [*_span_labels(spans, start_s, whole_s, theme)],
        },
    }


def _span_shapes(
    spans: Sequence[MarkedSpan], start_s: float, end_s: float, theme: Theme
) -> list[dict[str, Any]]:
    shade = rgba_colour(theme.ink, 0.08 if theme.name == "light" else 0.10)
    return [
        {
            "type": "rect", "xref": "x", "yref": "paper", "layer": "below",
            "x0": max(one.begin_s, start_s), "x1": end_s if one.end_s is None else one.end_s,
            "y0": 0.0, "y1": 1.0, "fillcolor": shade, "line": {"width": 0},
        }
        for one in spans
        if one.end_s is None or one.end_s > start_s
    ]  # fmt: skip


def _span_labels(
    spans: Sequence[MarkedSpan], start_s: float, end_s: float, theme: Theme
) -> list[dict[str, Any]]:
    labels = []
    free_s = -math.inf
    for one in sorted(spans, key=lambda span: span.begin_s):
        until_s = end_s if one.end_s is None else one.end_s
        if until_s <= start_s:
            continue
        middle_s = (max(one.begin_s, start_s) + until_s) / 2.0
        # A name that would lie over the one before is left out: the list below has all.
        if middle_s - free_s < 0.09 * (end_s - start_s):
            continue
        free_s = middle_s
        labels.append(
            {
                "xref": "x", "yref": "paper", "x": middle_s, "y": 1.0, "yanchor": "bottom",
                "showarrow": False, "text": escape(one.name),
                "font": {"size": 12, "color": theme.ink},
            }
        )  # fmt: skip
    return labels


def _course_ticks(start_s: float, end_s: float, most: int) -> list[float]:
    step = next((one for one in _NICE_S if (end_s - start_s) / one <= most), _NICE_S[-1])
    while (end_s - start_s) / step > most:
        step *= 2
    first = math.ceil(start_s / step) * step
    return [float(one) for one in np.arange(first, end_s + 1e-9, step)]


def _decimals(shown: float, usual: int) -> int:
    """Return the decimals of a value that has room for four digits."""
    return min(usual, 2 if abs(shown) < 10.0 else 1 if abs(shown) < 1000.0 else 0)


def _signed(channel: str, shown: float, decimals: int) -> str:
    """Return a value with its sign, either way, where it has a direction."""
    text = format_number(shown, decimals)
    has_direction = is_channel(channel) and channel_named(channel).quantity in _DIRECTED
    return f"+{text}" if has_direction and shown > 0.0 and float(text) else text


def _typed_at(channel: str, mean: float) -> str:
    unit = channel_named(channel).ucum if is_channel(channel) else ""
    return f"{mean:.4g} {unit}" if unit in {"A", "N.m"} else ""
