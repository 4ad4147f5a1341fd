"""The route that the Campaign page reads from: the campaigns of the folder, and one of them.

GET and without any effect but that a campaign is read; while it is, the answer says so, and the
page asks again.
"""

from collections.abc import Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, FastAPI, Query, Request

from dashboard.campaign.campaign_list import (
    CampaignEntry,
    campaign_choices,
    campaign_of,
    list_campaigns,
)
from dashboard.campaign.figure_text import plan_text
from dashboard.campaign.kept_campaigns import CampaignRequest, KeptCampaigns, ReadCampaign
from dashboard.campaign.view import campaign_view
from dashboard.figures.pens import MAX_PENS
from dashboard.server.dependencies import PageName, Recordings
from dashboard.server.job_queue import JobQueue
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.kept_work import Made
from dashboard.server.queries import UnitsQuery, ZoneQuery
from dashboard.server.recording_cache import RecordingCache
from logger.campaign.plan_words import end_words
from logger.errors import InputError
from replay.campaign.present_stage import present_stage
from replay.recording import Recording

__all__ = ["add_campaign_routes"]

campaign_routes = APIRouter(prefix="/api")
STALE_NS: Final = 600_000_000_000
"""A campaign that goes on is read anew when it is looked at so long after."""
_BETWEEN_NAMES: Final = "/"
"""Between names in an address: no name of a recording's folder has one."""


class CampaignQuery(ZoneQuery, UnitsQuery):
    """Which campaign, and whose cycles."""

    of: str = ""
    """A recording of it, by the name of its folder; empty: the newest that follows a plan."""
    joint: str = ""
    """Its name; the plan's, or the first, where there is none of that name."""
    also: str = ""
    """Names of recordings that are read with it, with / between them."""
    again: bool = False
    """Whether one that goes on is to be read once more."""


async def kept_campaigns(request: Request) -> KeptCampaigns:
    """Return the campaigns that are kept."""
    kept: KeptCampaigns = request.app.state.kept_campaigns
    return kept


@campaign_routes.get("/campaign")
def show_campaign(
    recordings: Recordings,
    *,
    kept: Annotated[KeptCampaigns, Depends(kept_campaigns)],
    page: PageName,
    query: Annotated[CampaignQuery, Query()],
) -> JsonAnswer:
    """Answer what the page shows of a campaign, or that it is being read."""
    campaigns = list_campaigns(recordings) if recordings.folder.is_dir() else []
    content: dict[str, Any] = {
        "folder": recordings.folder.name,
        "choices": campaign_choices(campaigns, query.time_zone),
        "path": "",
        "joints": [],
        "joint": "",
        "live": False,
    }
    if not campaigns:
        return JsonAnswer({**content, "state": "empty"})
    followed = next((one.first.path for one in campaigns if one.has_plan), "")
    name = query.of or followed
    if not name:
        return JsonAnswer({**content, "state": "unchosen"})
    try:
        also = [one for one in query.also.split(_BETWEEN_NAMES) if one]
        entry = campaign_of(campaigns, name, also)
        answer = _campaign(entry, recordings, kept, page, query)
    except InputError as fault:
        answer = {"path": name, "state": "refused", "refused": str(fault), "present": ""}
    return JsonAnswer({**content, **answer})


def _campaign(
    entry: CampaignEntry,
    recordings: RecordingCache,
    kept: KeptCampaigns,
    page: str,
    query: CampaignQuery,
) -> dict[str, Any]:
    opened = [recordings.open_recording(part.path) for part in entry.parts]
    names = [one for one, _, _ in entry.first.joints]
    wanted = (query.joint, entry.first.plan_joint, names[0])
    joint = next(one for one in wanted if one in names)
    content = {
        "path": entry.first.path,
        "joints": [
            {"name": one, "label": label, "pen": at % MAX_PENS + 1}
            for at, (one, label, _) in enumerate(entry.first.joints)
        ],
        "joint": joint,
        "live": entry.is_live,
    }
    request = CampaignRequest(paths=tuple(one.path for one in opened), joint=joint)
    try:
        made = kept.find(request, opened, page=page)
        is_reading = made is None
        if made is not None and _is_stale(made, opened, again=query.again):
            kept.forget(request)
            kept.find(request, opened, page=page)
            is_reading = True
    except InputError as fault:
        if entry.is_live:
            # Its first cycles may have ended since: looked for again when it is asked again.
            kept.forget(request)
        present = _present_words(opened[-1])
        return {**content, "state": "refused", "refused": str(fault), "present": present}
    if made is None:
        return {**content, "state": "reading"}
    view = campaign_view(made.result, entry, displays=query.displays, zone=query.time_zone)
    return {**content, "state": "told", "reading": is_reading, **view}


def _is_stale(made: Made[ReadCampaign], opened: Sequence[Recording], *, again: bool) -> bool:
    """Return whether a campaign that goes on is to be read anew."""
    if not any(one.live for one in opened):
        return False
    newest_ns = max(one.end_ns for one in opened)
    return again or newest_ns - made.until_ns > STALE_NS


def _present_words(recording: Recording) -> str:
    """Return which stage a campaign without cycles is in; "" where no plan is followed."""
    present = present_stage(recording)
    if present is None or not present.stage:
        return ""
    end = plan_text(end_words(present.plan.stage[present.index].end))
    of = f"{present.index + 1} of {len(present.plan.stage)}"
    return f"It is in the stage {present.stage}, {of}, which {end}."


def add_campaign_routes(server: FastAPI, *, jobs: JobQueue) -> None:
    """Add the route; it runs on a worker thread, since it reads the disk."""
    server.state.kept_campaigns = KeptCampaigns(jobs)
    server.include_router(campaign_routes)
