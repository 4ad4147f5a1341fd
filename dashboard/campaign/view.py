"""What the page Campaign shows of a campaign: sentence, picture, lists and tables. Pure."""

from datetime import tzinfo
from typing import Any

from dashboard.campaign.campaign_list import CampaignEntry
from dashboard.campaign.comparison import comparison_table
from dashboard.campaign.figure_text import FigureText, running_text
from dashboard.campaign.kept_campaigns import ReadCampaign
from dashboard.campaign.news import (
    change_rows,
    day_table,
    figure_table,
    news_rows,
    open_questions,
)
from dashboard.campaign.picture import campaign_picture
from dashboard.campaign.sentence import campaign_parts
from dashboard.text.format import (
    format_date_time,
    format_short_date,
    format_short_date_time,
    format_thousands,
)
from dashboard.text.units import Displays
from logger.campaign.stage_progress import DAY_NS
from replay.campaign.campaign import Campaign
from replay.campaign.campaign_days import StageSpan
from replay.campaign.change_scan import STEP_MARGIN_H
from replay.campaign.plan_end import PlanEnd
from replay.heat.sentence import joined_parts

__all__ = ["campaign_view"]


def campaign_view(
    read: ReadCampaign,
    entry: CampaignEntry,
    *,
    displays: Displays,
    zone: tzinfo,
    compared: ReadCampaign | None = None,
) -> dict[str, Any]:
    """Return everything that the page shows of a campaign that was read.

    `compared`: another one, whose figures are drawn beside.
    """
    campaign = read.campaign
    texts = [FigureText(one, displays) for one in campaign.figures]
    parts = campaign_parts(campaign, displays, zone)
    return {
        "title": campaign.name,
        "about": _about(read, zone),
        "until": format_short_date_time(campaign.end_ns, zone),
        "facts": _head_facts(read, zone),
        "sentence": [one.to_json() for one in parts],
        "copy": joined_parts(parts),
        "picture": campaign_picture(read, displays, zone, compared),
        "since": format_short_date_time(max(campaign.end_ns - DAY_NS, campaign.start_ns), zone),
        "since_cycles": _cycles_text(campaign.cycles_since_yesterday),
        "news": news_rows(read, texts, zone),
        "changes": change_rows(read, texts, zone),
        "figures": figure_table(texts),
        "both": None if compared is None else comparison_table(read, compared, displays),
        "days": day_table(read, zone),
        "unknown": [list(one) for one in open_questions(read, texts, zone)],
        "notes": [*_campaign_cautions(campaign, entry)],
    }


def _about(read: ReadCampaign, zone: tzinfo) -> str:
    campaign, plan = read.campaign, read.plan
    present = _present_stage(campaign)
    parts = [campaign.label]
    if read.serial:
        parts.append(f"serial {read.serial}")
    if plan and present:
        parts.append(f"stage {present.stage}, {present.index + 1} of {len(plan.stage)}")
    elif not plan:
        parts.append("no plan is followed")
    count = len(campaign.recordings)
    recordings = f"{count} recordings" if count > 1 else "1 recording"
    parts.append(f"{recordings} since {format_date_time(campaign.start_ns, zone)[:-3]}")
    return "; ".join(parts)


def _cycles_text(count: int) -> str:
    return f"{format_thousands(count)} cycle{'' if count == 1 else 's'}"


def _present_stage(campaign: Campaign) -> StageSpan | None:
    return next((one for one in reversed(campaign.stages) if one.end_ns is None), None)


def _head_facts(read: ReadCampaign, zone: tzinfo) -> list[list[str]]:
    """Return (value, unit, words) of what stands in the head."""
    campaign = read.campaign
    pauses = len(campaign.running.pauses_ns)
    folded = f"running, {pauses} pause{'s' if pauses != 1 else ''} folded" if pauses else "running"
    facts = [[*running_text(campaign.hours), folded]]
    each = f", usually {campaign.usual_cycle_s:.3g} s" if campaign.cycles else ""
    facts.append([format_thousands(campaign.cycles), "", f"cycles{each}"])
    present = _present_stage(campaign)
    if present is not None and present.expected_ns is not None:
        end = format_short_date_time(present.expected_ns, zone)
        facts.append([end, "", f"{present.stage} ends, at this rate"])
    if campaign.plan_end is not None:
        facts.append(_plan_end_fact(campaign.plan_end, zone))
    faults, new = sum(day.faults for day in campaign.days), campaign.newest_day.faults
    facts.append([format_thousands(faults), "", f"faults, {new or 'none'} since yesterday"])
    return facts


def _plan_end_fact(end: PlanEnd, zone: tzinfo) -> list[str]:
    at, low, high = (
        format_short_date(one, zone) for one in (end.expected_ns, end.low_ns, end.high_ns)
    )
    reach = f", {low} to {high}" if low != high else ""
    return [f"about {at}", "", f"plan ends, if it goes on so{reach}"]


def _campaign_cautions(campaign: Campaign, entry: CampaignEntry) -> list[str]:
    """Return the cautions."""
    notes = []
    compared = {one.compared_by for one in campaign.figures if one.compared_by}
    if compared:
        notes.append(
            "Compared at like temperature by regression on what the joint had then, and 2 and 6 h "
            "before; a running-in of the first days is no change."
        )
    notes.append(
        "A change is reported only where at most one in ten campaigns without any would show one, "
        "over all figures and every day's look together; a step is reported "
        f"{STEP_MARGIN_H:.0f} h after it at the earliest. A step smaller than the table says may "
        "still have happened. What caused a change, and what follows from it, is not said here."
    )
    if entry.left_out:
        notes.append(f"Left out, since they lie within others: {', '.join(entry.left_out)}.")
    return notes
