"""What is told of a campaign in words, and as JSON."""

import math
from collections.abc import Iterator
from typing import Any

from logger.store.layout.manifest import iso_utc
from replay.campaign.campaign import Campaign, FigureAnswer, hour_ns
from replay.campaign.campaign_days import CampaignDay
from replay.campaign.change_scan import ChangeShape
from replay.campaign.figure_trend import Change, NotJudged

__all__ = [
    "campaign_answer",
    "campaign_sentence",
    "change_sentence",
    "day_rows",
    "news_sentences",
    "stage_rows",
    "trend_rows",
]

_REASONS = {
    NotJudged.TOO_SHORT: "not judged before seven days",
    NotJudged.CONSTANT: "does not move at all",
    NotJudged.UNKNOWN: "not known",
}


def campaign_sentence(campaign: Campaign) -> str:
    """Return in a sentence how long it has run."""
    days = (campaign.end_ns - campaign.start_ns) / 86_400e9
    several = f" in {len(campaign.recordings)} recordings" if len(campaign.recordings) > 1 else ""
    return (
        f"{campaign.name}, {campaign.label}: day {math.ceil(days) or 1}, cycle "
        f"{campaign.cycles:,}, {campaign.hours:,.1f} h run{several}; a cycle takes "
        f"{campaign.usual_cycle_s:.4g} s."
    )


def news_sentences(campaign: Campaign) -> Iterator[str]:
    """Yield what is new since a day before the end."""
    day = campaign.days[-1]
    hottest = "" if math.isnan(day.hottest_degC) else f", hottest {day.hottest_degC:.0f} degC"
    yield f"Since yesterday: {campaign.cycles_since_yesterday:,} cycles{hottest}."
    for one in campaign.new_changes:
        figure = next(
            figure
            for figure in campaign.figures
            if (figure.stage, figure.trend.name) == (one.stage, one.name)
        )
        yield f"New: {change_sentence(campaign, figure, one.change)}"
    if not campaign.is_changed:
        judged = [one for one in campaign.figures if one.trend.not_judged is None]
        yield (
            f"Nothing changed in {len(judged)} figures."
            if judged
            else "Whether anything changed is told after seven days of cycles."
        )


def change_sentence(campaign: Campaign, figure: FigureAnswer, change: Change) -> str:
    """Return a change in a sentence: what, when, by how much, how sure."""
    dates = [iso_utc(hour_ns(campaign, hour))[:16] for hour in (change.low_h, change.high_h)]
    at = iso_utc(hour_ns(campaign, change.date_h))[:16]
    sizes = (change.size, change.size_low, change.size_high)
    size, low, high = (_amount(figure, one) for one in sizes)
    how = "changed" if change.shape is ChangeShape.STEP else "has been changing"
    since = "at" if change.shape is ChangeShape.STEP else "since"
    return (
        f"{figure.trend.name} {how} by {size} ({low} to {high}) {since} {at}Z "
        f"({dates[0]}Z to {dates[1]}Z)."
    )


def _amount(figure: FigureAnswer, size: float) -> str:
    if figure.trend.is_relative:
        return f"{100.0 * size:+.2g} %"
    return f"{size:+.3g} {figure.trend.name.rsplit('_', 1)[-1]}"


def trend_rows(campaign: Campaign) -> list[tuple[str, str, str, str, str]]:
    """Return (figure, usual, per day, would not have been seen under, told) of each figure."""
    rows = []
    for one in campaign.figures:
        trend = one.trend
        name = f"{one.stage}: {trend.name}" if one.stage else trend.name
        if trend.not_judged is not None:
            usual = "" if math.isnan(trend.usual) else f"{trend.usual:.4g}"
            rows.append((name, usual, "", "", _REASONS[trend.not_judged]))
            continue
        slope = _amount(one, trend.per_day)
        low, high = _amount(one, trend.per_day_low), _amount(one, trend.per_day_high)
        rows.append(
            (
                name,
                f"{trend.usual:.4g}",
                f"{slope} ({low} to {high})",
                _amount(one, trend.unseen).lstrip("+"),
                f"{len(trend.changes)} changes" if trend.changes else "no change",
            )
        )
    return rows


def stage_rows(campaign: Campaign) -> list[tuple[str, str, str, str]]:
    """Return (stage, begun, ended or how far, cycles) of each stage."""
    rows = []
    for one in campaign.stages:
        ended = "" if one.end_ns is None else iso_utc(one.end_ns)[:19] + "Z"
        if one.end_ns is None:
            ended = "on" if math.isnan(one.share) else f"{100 * one.share:.0f} % done"
            if one.expected_ns is not None:
                ended += f", expected end {iso_utc(one.expected_ns)[:16]}Z"
        rows.append((one.stage, iso_utc(one.start_ns)[:19] + "Z", ended, f"{one.cycles:,}"))
    return rows


def day_rows(campaign: Campaign) -> list[tuple[str, ...]]:
    """Return the row of each day."""
    return [_day_row(day) for day in campaign.days]


def _day_row(day: CampaignDay) -> tuple[str, ...]:
    hottest = "" if math.isnan(day.hottest_degC) else f"{day.hottest_degC:.1f} degC"
    counts = (day.cycles, day.broken, day.faults, day.resets, day.brown_outs, day.trips)
    return (str(day.day), *(f"{count:,}" for count in counts), hottest)


def campaign_answer(campaign: Campaign) -> dict[str, Any]:
    """Return a campaign as the answer of `dutytrace campaign --json`."""
    return {
        "name": campaign.name,
        "joint": campaign.joint,
        "recordings": list(campaign.recordings),
        "start": iso_utc(campaign.start_ns),
        "end": iso_utc(campaign.end_ns),
        "cycles": campaign.cycles,
        "kinds": {str(kind): count for kind, count in campaign.kinds.items()},
        "cycle_time_s": _or_null(campaign.usual_cycle_s),
        "running_h": campaign.hours,
        "since_yesterday": {
            "cycles": campaign.cycles_since_yesterday,
            "changes": [
                {"stage": one.stage, "figure": one.name, **_change_sentence(campaign, one.change)}
                for one in campaign.new_changes
            ],
        },
        "stages": [
            {
                "stage": one.stage,
                "start": iso_utc(one.start_ns),
                "end": None if one.end_ns is None else iso_utc(one.end_ns),
                "cycles": one.cycles,
                "share": _or_null(one.share),
                "expected_end": None if one.expected_ns is None else iso_utc(one.expected_ns),
            }
            for one in campaign.stages
        ],
        "days": [
            {
                "day": day.day,
                "start": iso_utc(day.start_ns),
                "cycles": day.cycles,
                "broken": day.broken,
                "faults": day.faults,
                "resets": day.resets,
                "brown_outs": day.brown_outs,
                "trips": day.trips,
                "hottest_degC": _or_null(day.hottest_degC),
            }
            for day in campaign.days
        ],
        "figures": [_figure(campaign, one) for one in campaign.figures],
    }


def _figure(campaign: Campaign, one: FigureAnswer) -> dict[str, Any]:
    trend = one.trend
    return {
        "stage": one.stage,
        "figure": trend.name,
        "unit": one.unit,
        "compared_by": one.compared_by,
        "sizes": "share" if trend.is_relative else "unit",
        "not_judged": None if trend.not_judged is None else str(trend.not_judged),
        "usual": _or_null(trend.usual),
        "per_day": _or_null(trend.per_day),
        "per_day_interval": [_or_null(trend.per_day_low), _or_null(trend.per_day_high)],
        "per_K": _or_null(trend.per_kelvin),
        "evidence": _or_null(trend.evidence),
        "needed_evidence": _or_null(trend.needed),
        "not_seen_under": _or_null(trend.unseen),
        "changes": [_change_sentence(campaign, change) for change in trend.changes],
    }


def _change_sentence(campaign: Campaign, change: Change) -> dict[str, Any]:
    ends = (change.low_h, change.high_h)
    return {
        "shape": str(change.shape),
        "at": iso_utc(hour_ns(campaign, change.date_h)),
        "at_interval": [iso_utc(hour_ns(campaign, hour)) for hour in ends],
        "size": change.size,
        "size_interval": [change.size_low, change.size_high],
        "evidence": change.evidence,
    }


def _or_null(value: float) -> float | None:
    return value if math.isfinite(value) else None
