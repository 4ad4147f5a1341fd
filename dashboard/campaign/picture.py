"""One axis of running hours with pauses folded: rows of figures, stages, faults of each day. Pure.

Places are running hours; where a pause is folded, two places have the same hour, so each also says
how many folds lie before it. A row has at most `MOST_BINS` points, however long the campaign is.
"""

import math
from collections.abc import Iterator, Sequence
from datetime import tzinfo
from itertools import groupby
from typing import Any, Final

import numpy as np

from dashboard.campaign.comparison import matching_figure
from dashboard.campaign.figure_text import FigureText, plan_text
from dashboard.campaign.kept_campaigns import ReadCampaign, TimedNote
from dashboard.campaign.replay_spans import replay_address
from dashboard.text.format import format_short_date, format_short_date_time, format_thousands
from dashboard.text.units import Displays
from logger.arrays import Floats, to_ns
from logger.campaign.plan_settings import PlanSettings
from logger.campaign.plan_words import end_words
from logger.campaign.stage_progress import DAY_NS
from replay.campaign.campaign import Campaign, FigureAnswer, hour_ns, thinned
from replay.campaign.campaign_days import StageSpan
from replay.campaign.change_scan import ChangeShape
from replay.campaign.figure_blocks import BLOCK_H
from replay.campaign.figure_trend import Change

__all__ = ["MOST_BINS", "campaign_picture", "change_place"]

MOST_BINS: Final = 320
_NEAR_NS: Final = 1_800_000_000_000
"""A note so near to a pause tells why there was one."""
_ROW_DIGITS: Final = 5
_LEDGER_KINDS: Final = (
    ("faults", "faults"),
    ("resets", "resets"),
    ("brown_outs", "brown-outs"),
    ("trips", "trips"),
    ("broken", "broken cycles"),
)
Place = tuple[float, int]
"""Running hours, and how many folds lie before."""


def campaign_picture(
    read: ReadCampaign, displays: Displays, zone: tzinfo, compared: ReadCampaign | None = None
) -> dict[str, Any]:
    """Return what the page draws; `compared`: another campaign, on the same running hours."""
    campaign = read.campaign
    yesterday_ns = max(campaign.end_ns - DAY_NS, campaign.start_ns)
    return {
        "hours": campaign.hours,
        "folds": [*_folds(read, zone)],
        "stages": [*_stages(campaign, read.plan)],
        "next": _next_stages(campaign, read.plan),
        "yesterday": _place(campaign, yesterday_ns),
        "rows": [
            _figure_row(read, FigureText(one, displays), zone, compared) for one in campaign.figures
        ],
        "days": [*_days(read, zone)],
        "kinds": [
            {"label": label, "total": sum(getattr(day, key) for day in campaign.days)}
            for key, label in _LEDGER_KINDS
        ],
    }


def change_place(campaign: Campaign, hour: float) -> Place:
    """Return where an hour of a figure lies on the axis."""
    return _place(campaign, hour_ns(campaign, hour))


def _place(campaign: Campaign, time_ns: int) -> Place:
    before = sum(end <= time_ns for _, end in campaign.running.pauses_ns)
    return round(float(campaign.running.at(np.array([time_ns]))[0]), 4), before


def _folds(read: ReadCampaign, zone: tzinfo) -> Iterator[dict[str, Any]]:
    campaign = read.campaign
    for begin_ns, end_ns in campaign.running.pauses_ns:
        from_text, to_text = (format_short_date_time(at, zone) for at in (begin_ns, end_ns))
        yield {
            "at": _place(campaign, begin_ns)[0],
            "length": _length((end_ns - begin_ns) / 3.6e12),
            "long": (end_ns - begin_ns) / 3.6e12,
            "when": f"{from_text} to {to_text}",
            "reason": _pause_reason(read, begin_ns, end_ns),
            "noted": _note_near(read.notes, begin_ns, end_ns) is not None,
            "href": replay_address(read.spans, begin_ns, end_ns),
        }


def _length(hours: float) -> str:
    if hours < 1.0:
        return f"{60.0 * hours:.0f} min"
    return f"{hours:.2g} h" if hours < 10.0 else f"{hours:.0f} h"


def _pause_reason(read: ReadCampaign, begin_ns: int, end_ns: int) -> str:
    """Return what somebody wrote about a pause; else whether there was a recorder."""
    note = _note_near(read.notes, begin_ns, end_ns)
    if note is not None:
        return note.text
    middle_ns = (begin_ns + end_ns) // 2
    is_held = any(one.start_ns <= middle_ns < one.end_ns for one in read.spans)
    return "" if is_held else "not recorded"


def _note_near(notes: Sequence[TimedNote], begin_ns: int, end_ns: int) -> TimedNote | None:
    return next(
        (one for one in notes if begin_ns - _NEAR_NS <= one.time_ns <= end_ns + _NEAR_NS), None
    )


def _stages(campaign: Campaign, plan: PlanSettings | None) -> Iterator[dict[str, Any]]:
    """Yield the stages; one that goes on in the next recording is one."""
    for _, group in groupby(campaign.stages, key=lambda one: one.stage):
        first, *more = group
        last = more[-1] if more else first
        content = _stage(campaign, last, plan, of=" in the last recording" if more else "")
        yield {**content, "from": _place(campaign, first.start_ns)}


def _stage(
    campaign: Campaign, stage: StageSpan, plan: PlanSettings | None, *, of: str
) -> dict[str, Any]:
    """Return a stage; `of`: whose cycles it counts, since each recording counts its own."""
    until_ns = campaign.end_ns if stage.end_ns is None else stage.end_ns
    wanted = plan.stage[stage.index].end.cycles if plan else None
    text = stage.stage
    if wanted is not None and stage.end_ns is None:
        text += f", {format_thousands(stage.cycles)} of {format_thousands(wanted)} cycles{of}"
    return {
        "name": stage.stage,
        "text": text,
        "from": _place(campaign, stage.start_ns),
        "to": _place(campaign, until_ns),
        "on": stage.end_ns is None,
    }


def _next_stages(campaign: Campaign, plan: PlanSettings | None) -> str:
    """Return what is still to come, in a few words."""
    present = next((one for one in reversed(campaign.stages) if one.end_ns is None), None)
    if plan is None or present is None:
        return ""
    words = []
    wanted = plan.stage[present.index].end.cycles
    if wanted is not None and wanted > present.cycles:
        words.append(f"{format_thousands(wanted - present.cycles)} more")
    elif wanted is None:
        words.append(plan_text(end_words(plan.stage[present.index].end)).removeprefix("lasts "))
    later = [stage.name for stage in plan.stage[present.index + 1 :]]
    words += [f"then {later[0]}" if words else later[0]] if later else []
    return ", ".join(words)


def _days(read: ReadCampaign, zone: tzinfo) -> Iterator[dict[str, Any]]:
    campaign = read.campaign
    for day in campaign.days:
        end_ns = min(day.start_ns + DAY_NS, campaign.end_ns)
        yield {
            "label": format_short_date(day.start_ns, zone),
            "from": _place(campaign, day.start_ns),
            "to": _place(campaign, end_ns),
            "counts": [getattr(day, key) for key, _ in _LEDGER_KINDS],
            "href": replay_address(read.spans, day.start_ns, end_ns),
        }


def _figure_row(
    read: ReadCampaign, text: FigureText, zone: tzinfo, compared: ReadCampaign | None
) -> dict[str, Any]:
    campaign, figure, trend = read.campaign, text.figure, text.figure.trend
    spans = [*_row_spans(campaign, figure, text.factor)]
    theirs = None if compared is None else matching_figure(figure, compared)
    others = (
        [*_row_spans(compared.campaign, theirs, text.factor)]
        if compared is not None and theirs is not None
        else []
    )
    ends = [value for one in spans for key in ("low", "high", "came") for value in one[key]]
    ends += [value for one in others for key in ("mean", "came") for value in one[key]]
    low, high = (min(ends), max(ends)) if ends else (0.0, 1.0)
    ticks = _nice_ticks(low, high)
    if not ticks:
        # One value stands in the middle of its row; what it is stands beside it.
        low, high = low - 1.0, high + 1.0
    return {
        "label": text.label,
        "unit": text.unit,
        "stage": figure.stage,
        "compared": bool(figure.compared_by),
        "judged": trend.not_judged is None,
        "ticks": [[value, f"{value:.10g}"] for value in ticks],
        "low": low,
        "high": high,
        "spans": spans,
        "other": others,
        "changes": [_marked_change(read, text, one, zone) for one in trend.changes],
        **_tip(read, text),
    }


def _row_spans(campaign: Campaign, figure: FigureAnswer, factor: float) -> Iterator[dict[str, Any]]:
    """Yield a row between folds: places, and lowest, mean and highest hour of each bin."""
    trend = figure.trend
    count = len(trend.start_h)
    if not count:
        return
    start_ns = campaign.start_ns + np.array([to_ns(3600.0 * one) for one in trend.start_h])
    block_ns = to_ns(3600.0 * BLOCK_H)
    at = campaign.running.at(start_ns + block_ns // 2)
    pauses_ns = np.array([end for _, end in campaign.running.pauses_ns], np.int64)
    folds = np.searchsorted(pauses_ns, start_ns + block_ns, side="right")
    has_course = len(trend.course) == count
    for fold in np.unique(folds).tolist():
        own = folds == fold
        width = max(round(MOST_BINS * int(own.sum()) / count), 1)
        places, low, mean, high = thinned(at[own], trend.values[own] * factor, width)
        bins = {"at": places, "low": low, "mean": mean, "high": high}
        bins["came"] = thinned(at[own], figure.as_it_came[own] * factor, width)[2]
        reach = np.empty(0)
        course = np.empty(0)
        if has_course:
            course = thinned(at[own], trend.course[own] * factor, width)[2]
            reach = 1.96 * thinned(at[own], trend.course_deviation[own] * factor, width)[2]
        bins |= {"course": course, "reach": reach}
        yield {"folds": fold, **{key: _short_numbers(values) for key, values in bins.items()}}


def _short_numbers(values: Floats) -> list[float]:
    return [float(f"{one:.{_ROW_DIGITS + 1}g}") for one in values.tolist()]


def _nice_ticks(low: float, high: float) -> list[float]:
    """Return two to five round values from `low` to `high`; none where there is but one value."""
    span = high - low
    if not math.isfinite(span) or span <= 0.0:
        return []
    size = 10.0 ** math.floor(math.log10(span / 2.0))
    step = next(one * size for one in (5.0, 2.0, 1.0) if span / (one * size) >= 2.0)
    first = math.ceil(low / step - 1e-9)
    return [round(at * step, 12) for at in range(first, math.floor(high / step + 1e-9) + 1)]


def _marked_change(
    read: ReadCampaign, text: FigureText, change: Change, zone: tzinfo
) -> dict[str, Any]:
    campaign = read.campaign
    low_ns, high_ns = (hour_ns(campaign, hour) for hour in (change.low_h, change.high_h))
    amount = text.change_amount(change)
    when = format_short_date_time(hour_ns(campaign, change.date_h), zone)
    since = "on" if change.shape is ChangeShape.STEP else "since"
    return {
        "at": change_place(campaign, change.date_h),
        "from": _place(campaign, low_ns),
        "to": _place(campaign, high_ns),
        "text": f"{amount.value} {amount.unit}",
        "said": f"{text.label} {amount.text} {since} {when}",
        "href": replay_address(read.spans, low_ns, high_ns),
    }


def _tip(read: ReadCampaign, text: FigureText) -> dict[str, Any]:
    """Return what stands at a row's right end: the last day's mean, and whether it is new."""
    campaign, figure = read.campaign, text.figure
    trend = figure.trend
    key = (figure.stage, trend.name)
    new = [one for one in campaign.new_changes if (one.stage, one.name) == key]
    last_h = (campaign.end_ns - campaign.start_ns - DAY_NS) / 3.6e12
    recent = trend.values[trend.start_h >= last_h]
    newest = recent if len(recent) else trend.values[-1:]
    if new:
        amount = text.change_amount(new[-1].change)
        words = f"{amount.value} {amount.unit} since yesterday"
    elif trend.not_judged is not None:
        words = "trend not known yet"
    else:
        words = "no new change" if trend.is_changed else "no change found"
    return {
        "value": text.value_text(float(newest.mean())) if len(newest) else "–",
        "mark": "abnormal" if new else "none" if trend.not_judged is not None else "",
        "words": words,
        "href": replay_address(
            read.spans, max(campaign.end_ns - DAY_NS, campaign.start_ns), campaign.end_ns
        ),
    }
