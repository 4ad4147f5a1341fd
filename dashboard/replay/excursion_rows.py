"""The excursions of Replay in words: a line for each at once, what led up to it for some at a time.

The lines cost no reading of rows, however many there are; what led up, the small trace and a peak
that no event tells are asked for those that a page shows.
"""

import math
from collections.abc import Callable
from typing import Any, Final

import numpy as np

from dashboard.figures.sparkline import mask_of, path_of
from dashboard.text.theme import MARKS, display_of, elapsed, number, span_words
from dashboard.text.units import Displays
from logger.limits.kind import Kind
from logger.limits.levels import lines_of
from logger.limits.limit import Limit
from logger.limits.words import label, worth
from replay.excursions.applied_limits import Watch
from replay.excursions.excursion import Excursion
from replay.excursions.recorded import led_up, some_stretches
from replay.recording import Recording
from replay.window import envelope

__all__ = ["MOST_DETAILS", "MOST_LINES", "details", "labels_of", "lines"]

Answer = dict[str, Any]
MOST_LINES: Final = 5000
MOST_DETAILS: Final = 100
"""So many are told at most in one answer."""
TINY_PX = (96, 30)
LEAD_IN_S = 600.0


def labels_of(displays: Displays) -> Callable[[Limit], str]:
    """Return what names limits, each worked out once: thousands of alerts are of a few limits."""
    known: dict[int, str] = {}

    def words(limit: Limit) -> str:
        if id(limit) not in known:
            known[id(limit)] = label(limit, displays)
        return known[id(limit)]

    return words


def lines(recording: Recording, watch: Watch, displays: Displays) -> tuple[list[Answer], int]:
    """Return a line for each excursion in order of their start, and how many there are.

    No more than MOST_LINES: of limits that chatter all day a browser could not hold them all.
    """
    some, every = some_stretches(recording, watch, first=0, count=MOST_LINES)
    start_ns = recording.start_ns
    pens = {joint: place for place, joint in enumerate(recording.joints, start=1)}
    words = labels_of(displays)
    told = []
    for one in some:
        limit = watch.limit_of(one.limit, one.start_ns)
        # What a cut brings along from before its beginning.
        earlier = ", since before" if one.start_ns < start_ns else ""
        at_s = max(one.start_ns - start_ns, 0) / 1e9
        told.append(
            {
                "mark": MARKS[one.severity],
                "at_s": at_s,
                "from_s": max(one.onset_ns - start_ns, 0) / 1e9,
                "to_s": (one.start_ns - start_ns) / 1e9 + one.duration_s,
                "at": elapsed(at_s),
                "words": f"{one.joint} {words(limit) if limit else one.limit}{earlier}",
                "severity": one.severity,
                "limit": one.limit,
                "lasted": span_words(one.duration_s) + (", and on" if one.ongoing else ""),
                "pen": pens[one.joint],
                "peak": _peak(one, limit, displays),
            }
        )
    return told, every


def details(
    recording: Recording, watch: Watch, displays: Displays, *, first: int, count: int
) -> list[Answer]:
    """Return for some of `lines`, by their place, what led up to them, and their small traces.

    At most MOST_DETAILS, and none where there are none; each says of which line it is.
    """
    first, count = max(first, 0), min(max(count, 0), MOST_DETAILS)
    told = []
    some, _ = some_stretches(recording, watch, first=first, count=count)
    for one in led_up(recording, watch, some):
        limit = watch.limit_of(one.limit, one.start_ns)
        told.append(
            {
                "at_s": max(one.start_ns - recording.start_ns, 0) / 1e9,
                "limit": one.limit,
                "pen": recording.joints.index(one.joint) + 1,
                "peak": _peak(one, limit, displays),
                "led": _led(one),
                **(_tiny(recording, one, limit) if one.channel else {}),
            }
        )
    return told


def _peak(one: Excursion, limit: Limit | None, displays: Displays) -> str:
    """Say how far it went; nothing where that is not known."""
    if math.isnan(one.peak):
        return ""
    if one.channel:
        display = display_of(one.channel, displays)
        return f"{number(one.peak * display.factor, display.decimals)} {display.unit}"
    if isinstance(limit, Kind):
        raised = " when it was raised" if one.peak_at_raise else ""
        return f"{worth(limit, one.peak, displays)}{raised}"
    return span_words(one.peak)


def _led(one: Excursion) -> str:
    """Say what led up to an excursion."""
    said = []
    rms = {seconds: value for seconds, value in one.rms_torque_Nm.items() if math.isfinite(value)}
    if rms:
        values = ", ".join(number(value, 1) for value in rms.values())
        spans = ", ".join(f"{seconds // 60}" for seconds in rms)
        rated = f" of {one.rated_torque_Nm:g} N·m rated" if one.rated_torque_Nm else " N·m"
        said.append(f"RMS torque {values}{rated} over {spans} min before")
    said += list(one.near[-2:])
    return "; ".join(said)


def _tiny(recording: Recording, one: Excursion, limit: Limit | None) -> Answer:
    """Return the small trace of what led up to an excursion: its path and where it picked up."""
    start = max(recording.start_ns, one.start_ns - round(min(LEAD_IN_S, 600.0) * 1e9))
    after_s = min(max(one.duration_s, 5.0), LEAD_IN_S / 4)
    end = min(recording.end_ns, one.start_ns + round(after_s * 1e9))
    if end <= start:
        return {}
    shape = envelope(recording, one.joint, one.channel, start, end, bins=48)
    level = _level(recording, one, limit)
    values = np.where(np.abs(shape.maximum) >= np.abs(shape.minimum), shape.maximum, shape.minimum)
    held = values[np.isfinite(values)]
    if not len(held):
        return {}
    low, high = min(float(held.min()), level), max(float(held.max()), level)
    room = max(high - low, 1e-9)
    width, height = TINY_PX
    x = np.clip((shape.start_ns + shape.width_ns // 2 - start) / (end - start), 0.0, 1.0)
    path = path_of(x, (values - low) / room, width=width, height=height)
    return {
        "tiny": mask_of(path, width=width, height=height),
        # Other kinds have no level in the channel's unit to draw a line at.
        "tiny_level": None if math.isnan(level) else (level - low) / room,
        "tiny_at": (one.start_ns - start) / (end - start),
    }


def _level(recording: Recording, one: Excursion, limit: Limit | None) -> float:
    """Return the level that an excursion went beyond; NaN for a kind of limit that has none."""
    lines = lines_of(limit, recording.bench.joint(one.joint).rated) if limit is not None else ()
    # Of two it is the one on whose side the peak lies.
    return min(
        (line.pick_up for line in lines), key=lambda at: abs(one.peak - at), default=math.nan
    )
