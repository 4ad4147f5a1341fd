"""Where a plan that is followed begins, or goes on after a restart."""

from dataclasses import dataclass, field

from logger.campaign.cycle_finder import CycleFinder
from logger.campaign.stage_progress import CampaignState
from logger.joint.batch import ReadingBatch

__all__ = ["CampaignStart"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignStart:
    """Where a plan that was followed before goes on; the default is that of a beginning."""

    state: CampaignState | None = None
    finder: CycleFinder = field(default_factory=CycleFinder)
    readings: tuple[ReadingBatch, ...] = ()
    """Of the joint since its newest recorded cycle, fed again."""
    marks_ns: tuple[int, ...] = ()
    """Notes since then that begin a cycle."""
