"""The campaigns of the folder: recordings that follow one plan, with one serial, are one.

A recording without a plan stands for itself, and others can be read with it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final

from dashboard.server.recording_cache import RecordingCache
from dashboard.text.format import format_short_date_time
from logger.campaign.plan_settings import PlanSettings
from logger.errors import InputError
from replay.recording import Recording

__all__ = ["CampaignEntry", "campaign_choices", "campaign_of", "list_campaigns"]

MOST_TOGETHER: Final = 200
"""Recordings that are read as one campaign."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignPart:
    """What of a recording decides to which campaign it belongs."""

    path: str
    """Name of its folder."""
    name: str
    start_ns: int
    end_ns: int
    live: bool
    plan: str
    """Its text; "": none is followed."""
    plan_name: str
    plan_joint: str
    joints: tuple[tuple[str, str, str], ...]
    """Name, label and serial of each, instruments left out."""

    @property
    def serial(self) -> str:
        """Of the joint whose cycles are meant; its name where it has none."""
        joint, _, serial = next(
            (one for one in self.joints if one[0] == self.plan_joint), self.joints[0]
        )
        return serial or joint


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignEntry:
    """Recordings that are one campaign, in order of time."""

    parts: tuple[CampaignPart, ...]
    left_out: tuple[str, ...] = ()
    """Names of those that lie within others: cuts of them."""

    @property
    def first(self) -> CampaignPart:
        """The recording that it began with."""
        return self.parts[0]

    @property
    def is_live(self) -> bool:
        """Whether it is still recorded."""
        return any(one.live for one in self.parts)

    @property
    def has_plan(self) -> bool:
        """Whether a plan is followed."""
        return bool(self.first.plan)


def list_campaigns(recordings: RecordingCache) -> list[CampaignEntry]:
    """Return the campaigns of the folder: those that follow a plan first, the newest first."""
    groups: dict[tuple[str, str], list[CampaignPart]] = {}
    for part in _parts(recordings):
        key = (part.plan, part.serial) if part.plan else ("", f"/{part.path}")
        groups.setdefault(key, []).append(part)
    campaigns = [one for parts in groups.values() for one in _entries(parts)]
    campaigns.sort(key=lambda one: (one.has_plan, one.is_live, one.parts[-1].end_ns), reverse=True)
    return campaigns


def campaign_of(
    campaigns: Sequence[CampaignEntry], name: str, also: Sequence[str] = ()
) -> CampaignEntry:
    """Return the campaign of a recording, with others beside it.

    Raises
    ------
    InputError
        It is not there, or they are too many.
    """
    by_path = {part.path: part for one in campaigns for part in one.parts}
    found = next((one for one in campaigns if any(p.path == name for p in one.parts)), None)
    if found is None:
        raise InputError(f"There is no recording named {name[:80]!r} with a joint here.")
    further = [by_path[path] for path in also if path in by_path]
    parts = {part.path: part for part in (*found.parts, *further)}
    if len(parts) > MOST_TOGETHER:
        raise InputError(
            where="also",
            found=f"{len(parts)} recordings",
            expected=f"at most {MOST_TOGETHER} that are read as one; the command takes more",
        )
    if not further:
        return found
    return CampaignEntry(parts=tuple(sorted(parts.values(), key=lambda one: one.start_ns)))


def campaign_choices(campaigns: Sequence[CampaignEntry], zone: tzinfo) -> list[dict[str, Any]]:
    """Return what there is to choose from, as the list of recordings has it."""
    return [
        {
            "path": one.first.path,
            "name": _campaign_name(one),
            "live": one.is_live,
            "begun": _begun(one, zone),
        }
        for one in campaigns
    ]


def _campaign_name(one: CampaignEntry) -> str:
    """Return the plan's name with whose it is, unless it says so itself."""
    first = one.first
    if not one.has_plan:
        return first.name
    is_named = first.serial.lower() in first.plan_name.lower()
    return first.plan_name if is_named else f"{first.plan_name}, {first.serial}"


def _begun(one: CampaignEntry, zone: tzinfo) -> str:
    begun = format_short_date_time(one.first.start_ns, zone)
    if not one.has_plan:
        return f"{begun}, without a plan"
    return f"{begun}, {len(one.parts)} recordings" if len(one.parts) > 1 else begun


def _entries(parts: Sequence[CampaignPart]) -> list[CampaignEntry]:
    """Return recordings as one campaign; those that lie within others stand for themselves."""
    kept: list[CampaignPart] = []
    left_out: list[CampaignPart] = []
    for part in sorted(parts, key=lambda one: (one.start_ns, -one.end_ns)):
        overlaps = bool(kept) and part.start_ns < kept[-1].end_ns
        (left_out if overlaps else kept).append(part)
    names = tuple(one.name for one in left_out)
    whole = CampaignEntry(parts=tuple(kept), left_out=names)
    return [whole, *(CampaignEntry(parts=(part,)) for part in left_out)]


def _parts(recordings: RecordingCache) -> Iterator[CampaignPart]:
    for entry in recordings.list_entries():
        if entry.fault:
            continue
        try:
            part = recordings.derive_for_list("campaign part", entry, _part)
        except InputError:
            continue
        if part.joints:
            yield part


def _part(recording: Recording) -> CampaignPart:
    sensors = set(recording.bench.sensors)
    plan = _read_plan(recording)
    return CampaignPart(
        path=recording.path.name,
        name=recording.name,
        start_ns=recording.start_ns,
        end_ns=recording.end_ns,
        live=recording.live,
        plan=recording.manifest.plan.strip() if plan else "",
        plan_name=plan.name if plan else "",
        plan_joint=(plan.joint or "") if plan else "",
        joints=tuple(
            (one.name, recording.bench.label_of(one.name), one.serial)
            for one in recording.bench.joints
            if one.name not in sensors
        ),
    )


def _read_plan(recording: Recording) -> PlanSettings | None:
    """Return the plan; None for one that cannot be read, whose recording stands for itself."""
    try:
        return recording.manifest.read_plan(str(recording.path))
    except InputError:
        return None
