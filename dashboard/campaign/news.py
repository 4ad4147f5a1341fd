"""What is new since yesterday, what changed and when, and what is not known yet. Pure."""

import math
from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Any, Final

from dashboard.campaign.figure_text import FigureText, figure_label_and_unit, plan_text
from dashboard.campaign.kept_campaigns import ReadCampaign
from dashboard.campaign.replay_spans import replay_address
from dashboard.text.format import format_short_date, format_short_date_time, format_thousands
from logger.campaign.plan_settings import StageSettings
from logger.campaign.plan_words import end_words
from logger.campaign.stage_progress import DAY_NS
from replay.campaign.campaign import hour_ns
from replay.campaign.campaign_days import CampaignDay
from replay.campaign.change_scan import ChangeShape
from replay.campaign.figure_trend import LEAST_DAYS, Change, LevelBand, NotJudged

__all__ = ["change_rows", "day_table", "figure_table", "news_rows", "open_questions"]

_FAULT_KINDS: Final = (
    ("faults", "fault", "faults"),
    ("resets", "reset", "resets"),
    ("brown_outs", "brown-out", "brown-outs"),
    ("trips", "trip", "trips"),
    ("broken", "cycle that did not run through", "cycles that did not run through"),
)


def news_rows(
    read: ReadCampaign, texts: Sequence[FigureText], zone: tzinfo
) -> list[dict[str, Any]]:
    """Return what happened since a day before the end, the worst first."""
    return [*_changed(read, texts, zone), *_happened(read, zone), *_as_before(read, texts)]


def _news_line(mark: str, lead: str, text: str, href: str = "") -> dict[str, Any]:
    return {"mark": mark, "lead": lead, "text": text, "href": href}


def _changed(
    read: ReadCampaign, texts: Sequence[FigureText], zone: tzinfo
) -> Iterator[dict[str, Any]]:
    campaign = read.campaign
    by_key = {(one.figure.stage, one.figure.trend.name): one for one in texts}
    for new in campaign.new_changes:
        text = by_key[new.stage, new.name]
        amount = text.change_amount(new.change)
        when = _when(read, new.change, zone)[0]
        since = "on" if new.change.shape is ChangeShape.STEP else "growing since"
        yield _news_line(
            "abnormal",
            f"{text.label} {amount.value} {amount.unit}",
            f"({amount.interval}) {since} {when}.",
            _change_address(read, new.change),
        )


def _happened(read: ReadCampaign, zone: tzinfo) -> Iterator[dict[str, Any]]:
    """Yield whether cycles stand still, and what was counted."""
    campaign = read.campaign
    if read.missing_since_ns is not None:
        since = format_short_date_time(read.missing_since_ns, zone)
        begin_ns = read.missing_since_ns
        href = replay_address(read.spans, begin_ns, campaign.end_ns)
        yield _news_line("danger", "No cycle", f"has ended since {since}.", href)
    day = campaign.newest_day
    href = replay_address(read.spans, day.start_ns, campaign.end_ns)
    counted = [
        f"{count} {one if count == 1 else many}"
        for key, one, many in _FAULT_KINDS
        if (count := getattr(day, key))
    ]
    if counted:
        yield _news_line("abnormal", ", ".join(counted), "since yesterday.", href)
    else:
        yield _news_line("normal", "No fault", "nor reset, brown-out or trip.", href)


def _as_before(read: ReadCampaign, texts: Sequence[FigureText]) -> Iterator[dict[str, Any]]:
    """Yield which figures are as they were, and what would not have been seen of each."""
    new = {(one.stage, one.name) for one in read.campaign.new_changes}
    same = [
        one
        for one in texts
        if one.figure.trend.not_judged is None
        and (one.figure.stage, one.figure.trend.name) not in new
    ]
    if not same:
        return
    names = _listed([one.label if not at else one.word for at, one in enumerate(same)])
    unseen = [
        f"{one.size_text(one.figure.trend.unseen)} of {one.word}"
        for one in same
        if math.isfinite(one.figure.trend.unseen)
    ]
    words = "no new change. What began since yesterday is judged tomorrow."
    if unseen:
        words += f" A step under {_listed(unseen)} would not have been seen."
    yield _news_line("normal", names, words)


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def change_rows(
    read: ReadCampaign, texts: Sequence[FigureText], zone: tzinfo
) -> list[dict[str, Any]]:
    """Return each change that was called, the newest first."""
    new = {(one.stage, one.name, one.change.date_h) for one in read.campaign.new_changes}
    found = [(text, change) for text in texts for change in text.figure.trend.changes]
    found.sort(key=lambda one: one[1].date_h, reverse=True)
    return [
        {
            "when": _when(read, change, zone)[0],
            "reach": _when(read, change, zone)[1],
            "what": text.label + ("" if change.shape is ChangeShape.STEP else ", growing since"),
            "stage": text.figure.stage,
            "before": _level_texts(text, change.before),
            "after": _level_texts(text, change.after),
            "by": (amount := text.change_amount(change)).value,
            "unit": amount.unit,
            "interval": amount.interval,
            "evidence": f"likelihood-ratio statistic {change.evidence:.0f}, "
            f"{text.figure.trend.needed:.0f} is enough",
            "new": (text.figure.stage, text.figure.trend.name, change.date_h) in new,
            "href": _change_address(read, change),
        }
        for text, change in found
    ]


def _level_texts(text: FigureText, band: LevelBand) -> list[str]:
    """Return value, unit and interval of a level before or behind a change."""
    level = text.level_amount(band)
    return [level.value, level.unit, level.interval]


def _when(read: ReadCampaign, change: Change, zone: tzinfo) -> tuple[str, str]:
    """Return the date of a change, and its interval."""
    at, low, high = (
        format_short_date_time(hour_ns(read.campaign, hour), zone)
        for hour in (change.date_h, change.low_h, change.high_h)
    )
    return at, f"{low} to {high}"


def _change_address(read: ReadCampaign, change: Change) -> str:
    low_ns, high_ns = (hour_ns(read.campaign, hour) for hour in (change.low_h, change.high_h))
    return replay_address(read.spans, low_ns, high_ns)


def figure_table(texts: Sequence[FigureText]) -> dict[str, Any]:
    """Return what is said of each figure over the whole campaign."""
    rows = []
    for text in texts:
        trend = text.figure.trend
        name = f"{text.label}, {text.figure.stage}" if text.figure.stage else text.label
        usual = "–" if math.isnan(trend.usual) else f"{text.value_text(trend.usual)} {text.unit}"
        if trend.not_judged is not None:
            rows.append([name, usual, "not known yet", "–", "not known yet"])
            continue
        count = len(trend.changes)
        rows.append(
            [
                name,
                usual,
                text.daily_text,
                text.size_text(trend.unseen),
                f"{count} change{'' if count == 1 else 's'}" if count else "no change",
            ]
        )
    return {
        "head": ["", "median of its hours", "a day, 95 %", "a step not seen under", "found"],
        "rows": rows,
    }


def day_table(read: ReadCampaign, zone: tzinfo) -> dict[str, Any]:
    """Return what happened on each day, the newest first; each leads to Replay."""
    head = ["day", "from", "cycles", "broken", "faults", "resets", "brown-outs", "trips", "hottest"]
    days = read.campaign.days
    end_ns = read.campaign.end_ns
    return {
        "head": head,
        "rows": [_day_cells(day, zone) for day in reversed(days)],
        "hrefs": [
            replay_address(read.spans, day.start_ns, min(day.start_ns + DAY_NS, end_ns))
            for day in reversed(days)
        ],
    }


def _day_cells(day: CampaignDay, zone: tzinfo) -> list[str]:
    counts = (day.cycles, day.broken, day.faults, day.resets, day.brown_outs, day.trips)
    hottest = "–" if math.isnan(day.hottest_degC) else f"{day.hottest_degC:.1f} °C"
    begun = format_short_date(day.start_ns, zone)
    return [str(day.day), begun, *(format_thousands(one) for one in counts), hottest]


def open_questions(
    read: ReadCampaign, texts: Sequence[FigureText], zone: tzinfo
) -> list[tuple[str, str]]:
    """Return what is not known yet, and what would settle it."""
    return [
        *_stages_to_come(read),
        *_plan_to_come(read, zone),
        *_figures_to_come(read, texts, zone),
    ]


def _stages_to_come(read: ReadCampaign) -> Iterator[tuple[str, str]]:
    campaign, plan = read.campaign, read.plan
    if plan is None:
        yield (
            "How far it is",
            "no plan is followed; write stages into a plan file and record with "
            "`dutytrace record BENCH --plan plan.toml`",
        )
        return
    present = next((one for one in reversed(campaign.stages) if one.end_ns is None), None)
    if present is None:
        return
    wanted = plan.stage[present.index].end.cycles
    if wanted is not None and wanted > present.cycles:
        left = wanted - present.cycles
        hours = left * campaign.usual_cycle_s / 3600.0
        lasts = f", {hours:.0f} h at {campaign.usual_cycle_s:.3g} s each" if hours > 0.0 else ""
        yield f"The end of {present.stage}", f"{format_thousands(left)} more cycles{lasts}"
    elif wanted is None:
        yield (
            f"The end of {present.stage}",
            _end_text(plan.stage[present.index]).removeprefix("lasts "),
        )
    for stage in plan.stage[present.index + 1 :]:
        yield f"The stage {stage.name}", f"it {_end_text(stage)}"


def _plan_to_come(read: ReadCampaign, zone: tzinfo) -> Iterator[tuple[str, str]]:
    """Yield when the whole plan ends, if that can be told."""
    end = read.campaign.plan_end
    if end is None:
        return
    at, low, high = (
        format_short_date(one, zone) for one in (end.expected_ns, end.low_ns, end.high_ns)
    )
    rest = f"; {' and '.join(end.open_stages)} on top" if end.open_stages else ""
    yield (
        "The end of the plan",
        f"about {at} if it goes on like this; its pauses so far leave {low} to {high} (95 %){rest}",
    )


def _end_text(stage: StageSettings) -> str:
    return plan_text(end_words(stage.end))


def _figures_to_come(
    read: ReadCampaign, texts: Sequence[FigureText], zone: tzinfo
) -> Iterator[tuple[str, str]]:
    campaign = read.campaign
    ready = format_short_date_time(campaign.start_ns + round(LEAST_DAYS * DAY_NS), zone)
    remedies = {
        NotJudged.TOO_SHORT: f"seven days of cycles, with an hour of them a hundred times: not "
        f"before {ready}",
        NotJudged.CONSTANT: "it has one value throughout; see whether the joint reports it with "
        "enough digits",
        NotJudged.UNKNOWN: "no cycle has it; see in `dutytrace cycles REC` which figures are known",
    }
    for reason, remedy in remedies.items():
        names = [one.word for one in texts if one.figure.trend.not_judged is reason]
        if names:
            yield f"Whether {_listed(names)} changed", remedy
    ended = {one.stage for one in campaign.stages if one.cycles}
    known = {(one.figure.stage, one.figure.trend.name) for one in texts}
    for stage in read.plan.stage if read.plan else ():
        lacking = [name for name in stage.watch if (stage.name, name) not in known]
        if lacking and known.isdisjoint(("", name) for name in lacking):
            listed = _listed([figure_label_and_unit(name) for name in lacking])
            yield (
                f"In {stage.name}: {listed}",
                "no cycle has it; see in `dutytrace cycles REC` which figures are known"
                if stage.name in ended
                else "no cycle has ended in this stage yet",
            )
    alone = [one.word for one in texts if not one.figure.compared_by]
    if alone:
        yield (
            f"{_listed(alone)} at like temperature".capitalize(),
            "no temperature is known to compare by, so it is taken as it came; join an instrument "
            "with `dutytrace join TABLE --into REC`",
        )
