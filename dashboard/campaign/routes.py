"""The route that the Campaign page reads from: the campaigns of the folder, and one of them.

GET and without any effect but that a campaign is read; while it is, the answer says so, and the
page asks again.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, FastAPI, Query, Request

from dashboard.campaign.campaign_list import (
    CampaignEntry,
    campaign_choices,
    campaign_of,
    list_campaigns,
)
from dashboard.campaign.comparison import joint_key, other_joints, split_key
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
    other: str = ""
    """Another joint: a recording of its campaign and its name, with / between them."""
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
        answer = _campaign(campaigns, entry, _Reader(recordings, kept, page), query)
    except InputError as fault:
        answer = {"path": name, "state": "refused", "refused": str(fault), "present": ""}
    return JsonAnswer({**content, **answer})


@dataclass(frozen=True, slots=True)
class _Reader:
    """What campaigns are read with, for one page."""

    recordings: RecordingCache
    kept: KeptCampaigns
    page: str

    def read(
        self, entry: CampaignEntry, joint: str, *, again: bool = False
    ) -> tuple[ReadCampaign | None, bool]:
        """Return a campaign if it was read, and whether it is being read.

        Raises
        ------
        InputError
            It is none, or has no cycles.
        """
        opened = [self.recordings.open_recording(part.path) for part in entry.parts]
        request = CampaignRequest(paths=tuple(one.path for one in opened), joint=joint)
        # A newer question of a page takes the place of an older one: of each joint its own.
        page = f"{self.page} {entry.first.path}/{joint}"
        try:
            made = self.kept.find(request, opened, page=page)
        except InputError:
            if entry.is_live:
                # Its first cycles may have ended since: looked for again when it is asked again.
                self.kept.forget(request)
            raise
        if made is None:
            return None, True
        is_stale = _is_stale(made, opened, again=again)
        if is_stale:
            self.kept.forget(request)
            self.kept.find(request, opened, page=page)
        return made.result, is_stale

    def present_words(self, entry: CampaignEntry) -> str:
        """Return which stage a campaign without cycles is in; "" where no plan is followed."""
        present = present_stage(self.recordings.open_recording(entry.parts[-1].path))
        if present is None or not present.stage:
            return ""
        end = plan_text(end_words(present.plan.stage[present.index].end))
        of = f"{present.index + 1} of {len(present.plan.stage)}"
        return f"It is in the stage {present.stage}, {of}, which {end}."


def _campaign(
    campaigns: Sequence[CampaignEntry], entry: CampaignEntry, reader: _Reader, query: CampaignQuery
) -> dict[str, Any]:
    joint = _joint_of(entry, query.joint)
    content = {
        "path": entry.first.path,
        "joints": [
            {"name": one, "label": label, "pen": at % MAX_PENS + 1}
            for at, (one, label, _) in enumerate(entry.first.joints)
        ],
        "joint": joint,
        "live": entry.is_live,
    }
    try:
        read, is_reading = reader.read(entry, joint, again=query.again)
    except InputError as fault:
        present = reader.present_words(entry)
        return {**content, "state": "refused", "refused": str(fault), "present": present}
    if read is None:
        return {**content, "state": "reading"}
    other, is_waiting, refused = _other(campaigns, reader, query)
    view = campaign_view(read, entry, displays=query.displays, zone=query.time_zone, compared=other)
    return {
        **content,
        "state": "shown",
        "reading": is_reading or is_waiting,
        "others": other_joints(campaigns, joint_key(entry.first.path, joint)),
        "other": query.other,
        "other_said": "being read" if is_waiting else refused,
        **view,
    }


def _other(
    campaigns: Sequence[CampaignEntry], reader: _Reader, query: CampaignQuery
) -> tuple[ReadCampaign | None, bool, str]:
    """Return the campaign that is put beside, whether it is waited for, and why there is none."""
    if not query.other:
        return None, False, ""
    path, joint = split_key(query.other)
    try:
        entry = campaign_of(campaigns, path)
        read, is_reading = reader.read(entry, _joint_of(entry, joint))
    except InputError as fault:
        return None, False, str(fault)
    return read, read is None and is_reading, ""


def _joint_of(entry: CampaignEntry, wanted: str) -> str:
    """Return the joint that is wanted, else the plan's, else the first."""
    names = [one for one, _, _ in entry.first.joints]
    return next(one for one in (wanted, entry.first.plan_joint, names[0]) if one in names)


def _is_stale(made: Made[ReadCampaign], opened: Sequence[Recording], *, again: bool) -> bool:
    """Return whether a campaign that goes on is to be read anew."""
    if not any(one.live for one in opened):
        return False
    newest_ns = max(one.end_ns for one in opened)
    return again or newest_ns - made.until_ns > STALE_NS


def add_campaign_routes(server: FastAPI, *, jobs: JobQueue) -> None:
    """Add the route; it runs on a worker thread, since it reads the disk."""
    server.state.kept_campaigns = KeptCampaigns(jobs)
    server.include_router(campaign_routes)
