"""What is told of a campaign in words, and as JSON."""

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

from logger.store.layout.manifest import iso_utc
from replay.campaign.campaign import Campaign, FigureAnswer, hour_ns
from replay.campaign.campaign_days import CampaignDay
from replay.campaign.change_scan import ChangeShape
from replay.campaign.figure_trend import Change, LevelBand, NotJudged
from replay.heat.text import band_text

__all__ = [
    "campaign_answer",
    "campaign_sentence",
    "change_sentence",
    "change_sentences",
    "day_rows",
    "news_sentences",
    "plan_end_sentences",
    "running_in_sentences",
    "stage_rows",
    "trend_rows",
    "verdict_phrase",
]

_LOAD: Final = ("rms_torque", "peak_torque", "rms_current", "peak_current")
_FRICTION: Final = "friction"
_SURE: Final = 2.5
"""Times half of its 95 % interval, from which running-in is told: five standard deviations."""
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
    """Yield what is new since a day before the end, and whether anything changed at all."""
    day = campaign.days[-1]
    hottest = "" if math.isnan(day.hottest_degC) else f", hottest {day.hottest_degC:.0f} degC"
    yield f"Since yesterday: {campaign.cycles_since_yesterday:,} cycles{hottest}."
    judged = _judged(campaign)
    if not judged:
        yield "Whether anything changed is told after seven days of cycles."
    elif not campaign.is_changed:
        yield (
            f"Nothing changed in {_count(judged, 'figure')}. A step at any date would have been "
            f"seen in 9 of 10: {_seen_from(judged)}."
        )


def verdict_phrase(campaign: Campaign) -> str:
    """Return in a few words whether anything changed, for the end of a day's sentence."""
    if not _judged(campaign):
        return "figures are judged after seven days"
    changes = []
    for figure in campaign.figures:
        for change in figure.trend.changes:
            is_step = change.shape is ChangeShape.STEP
            day = math.floor((change.date_h if is_step else change.low_h) / 24.0) + 1
            since = f"on day {day}" if is_step else f"since day {max(day, 1)} or later"
            new = "new: " if _is_new(campaign, figure, change) else ""
            changes.append(f"{new}{_name(figure)} {_amount(figure, change.size)} {since}")
    return f"changed: {'; '.join(changes)}" if changes else "nothing changed"


def change_sentences(campaign: Campaign, figure: FigureAnswer, change: Change) -> Iterator[str]:
    """Yield what is told of a change: what, since when, by how much, and what it is not."""
    new = "New since yesterday: " if _is_new(campaign, figure, change) else ""
    yield f"{new}{change_sentence(campaign, figure, change)}"
    yield f"  {_like_temperature(figure)}"
    others = [one for one in _judged(campaign) if one.stage == figure.stage and one is not figure]
    moved = [one for one in others if any(_overlaps(change, it) for it in one.trend.changes)]
    still = [one for one in others if not one.trend.is_changed]
    if moved:
        yield f"  About then changed as well: {', '.join(one.trend.name for one in moved)}."
    if still:
        yield f"  Unchanged, though a step would have been seen: {_seen_from(still)}."
    if cause := _not_the_load(figure, moved, still):
        yield f"  {cause}"


def change_sentence(campaign: Campaign, figure: FigureAnswer, change: Change) -> str:
    """Return a change in a sentence: what, when, by how much, how sure."""
    sizes = (change.size, change.size_low, change.size_high)
    size, low, high = (_amount(figure, one) for one in sizes)
    first, last, at = (
        f"{iso_utc(hour_ns(campaign, hour))[:16]}Z"
        for hour in (change.low_h, change.high_h, change.date_h)
    )
    if change.shape is ChangeShape.STEP:
        how, since = "changed by", f"at {at} (95 %: {first} to {last})"
    else:
        # Of a ramp no date alone: it is known to days.
        how, since = (
            "has been changing, by now by",
            f"since some time from {first} to {last} (95 %)",
        )
    levels = ""
    if math.isfinite(change.before[0]):
        unit = "degC" if _has_degrees(figure) else figure.trend.name.rsplit("_", 1)[-1]
        levels = f", from {band_text(change.before)} to {band_text(change.after)} {unit}"
    return f"{_name(figure)} {how} {size} (95 %: {low} to {high}){levels}, {since}."


def running_in_sentences(campaign: Campaign) -> Iterator[str]:
    """Yield which figures ran in over the first days: that is no change."""
    for one in _judged(campaign):
        trend = one.trend
        # Not by its interval alone: a step that is too young to be called leans on the decays.
        reach = 0.5 * (trend.running_in_high - trend.running_in_low)
        if abs(trend.running_in) >= max(_SURE * reach, trend.unseen):
            size, low, high = (
                _amount(one, size)
                for size in (trend.running_in, trend.running_in_low, trend.running_in_high)
            )
            yield f"{_name(one)} ran in by {size} ({low} to {high}) over the first days: no change."


def _like_temperature(figure: FigureAnswer) -> str:
    """Return what was taken out of a figure before it was compared."""
    if not figure.compared_by:
        if _has_degrees(figure):
            return "No ambient temperature is recorded to compare it by: the room may be all of it."
        return "No temperature is recorded to compare it by: warmth may be all of it."
    per_kelvin = figure.trend.per_kelvin
    taken = "" if math.isnan(per_kelvin) else f" ({_amount(figure, per_kelvin)} a kelvin)"
    return (
        f"Compared at like {figure.compared_by}{taken}, running-in of the first days apart: it is "
        "neither of these."
    )


def _not_the_load(
    figure: FigureAnswer, moved: Sequence[FigureAnswer], still: Sequence[FigureAnswer]
) -> str:
    """Return of a temperature whether the load went with it, where the trace carries that."""
    if not _has_degrees(figure):
        return ""
    if load := [one.trend.name for one in moved if one.trend.name.startswith(_LOAD)]:
        return f"The load went with it ({', '.join(load)})."
    if not [one for one in still if one.trend.name.startswith(_LOAD)]:
        return "Whether the load went with it is not known: no torque or current is watched."
    left = ["airflow", "mounting"]
    left += [] if any(one.trend.name.startswith(_FRICTION) for one in still) else ["friction"]
    left += [] if figure.compared_by else ["the room"]
    return (
        "So it is not the load, as far as that would have been seen: rather "
        f"{', '.join(left[:-1])} or {left[-1]}."
    )


def _has_degrees(figure: FigureAnswer) -> bool:
    return figure.unit == "Cel"


def _judged(campaign: Campaign) -> list[FigureAnswer]:
    return [one for one in campaign.figures if one.trend.not_judged is None]


def _is_new(campaign: Campaign, figure: FigureAnswer, change: Change) -> bool:
    return any(
        (one.stage, one.name, one.change) == (figure.stage, figure.trend.name, change)
        for one in campaign.new_changes
    )


def _overlaps(one: Change, other: Change) -> bool:
    return one.low_h <= other.high_h and other.low_h <= one.high_h


def _name(figure: FigureAnswer) -> str:
    return f"{figure.stage}: {figure.trend.name}" if figure.stage else figure.trend.name


def _seen_from(figures: Sequence[FigureAnswer]) -> str:
    """Return of figures the step that would have been seen."""
    return ", ".join(
        f"{one.trend.name} from {_amount(one, one.trend.unseen).lstrip('+')}" for one in figures
    )


def _count(things: Sequence[object], noun: str) -> str:
    return f"{len(things)} {noun}{'' if len(things) == 1 else 's'}"


def _amount(figure: FigureAnswer, size: float) -> str:
    if figure.trend.is_relative:
        return f"{100.0 * size:+.2g} %"
    # A difference of temperatures is in kelvin.
    unit = "K" if _has_degrees(figure) else figure.trend.name.rsplit("_", 1)[-1]
    return f"{size:+.2g} {unit}"


def trend_rows(campaign: Campaign) -> list[tuple[str, str, str, str, str]]:
    """Return (figure, usual, per day, would not have been seen under, told) of each figure."""
    rows = []
    for one in campaign.figures:
        trend = one.trend
        name = _name(one)
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
                _count(trend.changes, "change") if trend.changes else "no change",
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


def plan_end_sentences(campaign: Campaign) -> Iterator[str]:
    """Yield when the whole plan ends; nothing where that cannot be told."""
    end = campaign.plan_end
    if end is None:
        return
    at, low, high = (iso_utc(one)[:10] for one in (end.expected_ns, end.low_ns, end.high_ns))
    rest = f", and {' and '.join(end.open_stages)} on top" if end.open_stages else ""
    yield (
        f"The plan ends about {at} if it goes on like this (95 % by its pauses so far: {low} to "
        f"{high}){rest}."
    )


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
        "verdict": {
            "text": verdict_phrase(campaign),
            "changed": [one.trend.name for one in campaign.figures if one.trend.is_changed]
            if _judged(campaign)
            else None,
        },
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
        "plan_end": None if campaign.plan_end is None else campaign.plan_end.to_json(),
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
        "running_in": _or_null(trend.running_in),
        "running_in_interval": [_or_null(trend.running_in_low), _or_null(trend.running_in_high)],
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
        "before": _level_json(change.before),
        "after": _level_json(change.after),
        "evidence": change.evidence,
    }


def _level_json(band: LevelBand) -> dict[str, Any] | None:
    """Return a level of a figure, in its unit; None where it was not fitted."""
    value, low, high = band
    return {"value": value, "low": low, "high": high} if math.isfinite(value) else None


def _or_null(value: float) -> float | None:
    return value if math.isfinite(value) else None
