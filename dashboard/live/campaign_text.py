"""The stage of the plan that is followed: how far it is, when it is expected to end."""

import math
from datetime import tzinfo

from dashboard.live.wire_messages import CampaignStatus
from dashboard.text.format import format_number, format_short_date_time, format_thousands
from replay.campaign.present_stage import PresentStage, present_stage
from replay.recording import Recording

__all__ = ["campaign_status"]


def campaign_status(recording: Recording, *, zone: tzinfo) -> CampaignStatus | None:
    """Return what Live says of the plan; None where none is followed."""
    present = present_stage(recording)
    if present is None:
        return None
    total = f"cycle {format_thousands(present.cycles)}"
    if not present.stage:
        return {"stage": "All stages have ended", "progress": total, "end": ""}
    stages = len(present.plan.stage)
    return {
        "stage": f"{present.stage}, stage {present.index + 1} of {stages}",
        "progress": f"{_progress(present)}; {total}",
        "end": _end(present, zone),
    }


def _progress(present: PresentStage) -> str:
    end = present.plan.stage[present.index].end
    if end.cycles is not None:
        done, wanted = format_thousands(present.stage_cycles), format_thousands(end.cycles)
        return f"{done} of {wanted} cycles"
    if end.note is not None:
        return f"until the note \u201c{end.note}\u201d"
    return "" if math.isnan(present.share) else f"{format_number(100 * present.share, 0)} % done"


def _end(present: PresentStage, zone: tzinfo) -> str:
    """Return when the stage should end, to the minute: at this rate it is known no better."""
    if present.expected_ns is None:
        return ""
    return f"expected end {format_short_date_time(present.expected_ns, zone)}"
