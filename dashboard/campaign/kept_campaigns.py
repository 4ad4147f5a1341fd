"""Campaigns read in processes of their own, and kept for as long as they are looked at.

Months of cycles are some hundred megabytes while they are read, and some kilobytes once they are:
so a page waits once, and the server never holds them. Safe to call from several threads.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboard.server.job_queue import JobQueue
from dashboard.server.kept_work import KeptWork, Made
from logger.arrays import to_ns
from logger.campaign.plan_settings import PlanSettings
from logger.event_kind import EventKind
from logger.store.layout.remote import Location
from replay.campaign.campaign import Campaign, read_campaign
from replay.recording import Recording

__all__ = [
    "CampaignRequest",
    "CampaignSpan",
    "KeptCampaigns",
    "ReadCampaign",
    "TimedNote",
    "read_kept_campaign",
]

MAX_CAMPAIGNS: Final = 12


@dataclass(frozen=True, slots=True)
class CampaignRequest:
    """Whose cycles, and of which recordings, in order of time."""

    paths: tuple[Location, ...]
    joint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignSpan:
    """When a recording of a campaign was made, and where it is opened."""

    path: str
    """Name of its folder."""
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedNote:
    """What somebody wrote, and of when."""

    time_ns: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadCampaign:
    """A campaign, and what of its recordings a page tells beside it."""

    campaign: Campaign
    plan: PlanSettings | None
    spans: tuple[CampaignSpan, ...]
    notes: tuple[TimedNote, ...]
    serial: str
    missing_since_ns: int | None
    """Since when no cycle has ended; None: cycles end, or none is waited for."""
    live: bool


class KeptCampaigns:
    """The campaigns that were asked for last."""

    def __init__(self, jobs: JobQueue) -> None:
        self._work = KeptWork(jobs, read_kept_campaign, name="campaign", most=MAX_CAMPAIGNS)

    def find(
        self, request: CampaignRequest, recordings: Sequence[Recording], *, page: str
    ) -> Made[ReadCampaign] | None:
        """Return a campaign; None while it is being read, which the first call begins.

        Raises
        ------
        InputError
            They are no campaign, or have no cycles.
        """
        return self._work.find(request, recordings, page=page)

    def forget(self, request: CampaignRequest) -> None:
        """Forget a campaign, so that the next `find` reads it anew."""
        self._work.forget(request)


def read_kept_campaign(request: CampaignRequest) -> ReadCampaign:
    """Read a campaign and what is told beside it.

    Raises
    ------
    InputError
        They are no campaign, or have no cycles.
    """
    recordings = [Recording.open(path) for path in request.paths]
    campaign = read_campaign(recordings, request.joint)
    plans = (one.manifest.read_plan(str(one.path)) for one in recordings)
    serials = (one.bench.joint_named(request.joint).serial for one in recordings)
    return ReadCampaign(
        campaign=campaign,
        plan=next((one for one in plans if one is not None), None),
        spans=tuple(
            CampaignSpan(path=one.path.name, start_ns=one.start_ns, end_ns=one.end_ns)
            for one in recordings
        ),
        notes=tuple(
            TimedNote(time_ns=note.time_ns, text=note.text)
            for one in recordings
            for note in one.read_notes()
        ),
        serial=next(filter(None, serials), ""),
        missing_since_ns=_missing_since(recordings[-1]),
        live=any(one.live for one in recordings),
    )


def _missing_since(recording: Recording) -> int | None:
    """Return since when a recorder that still waits for cycles has had none."""
    kinds = (EventKind.CYCLES_MISSING, EventKind.CYCLES_AGAIN, EventKind.PLAN_DONE)
    events = [event for event in recording.read_events() if event.kind in kinds]
    if not events or events[-1].kind is not EventKind.CYCLES_MISSING:
        return None
    lasted_s = events[-1].duration_s
    return events[-1].time_ns - (0 if math.isnan(lasted_s) else to_ns(lasted_s))
