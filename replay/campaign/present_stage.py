"""The stage that a recording is in, as its recorder told last; cheap to ask for all the time."""

import math
from dataclasses import dataclass
from functools import lru_cache

from logger.campaign.plan import parse_plan
from logger.campaign.plan_settings import PlanSettings
from logger.store.layout.files import MANIFEST_FILE
from replay.recording import Recording

__all__ = ["PresentStage", "present_stage"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PresentStage:
    """Where a plan is."""

    plan: PlanSettings
    time_ns: int
    """When it was told."""
    stage: str
    """"": all stages have ended."""
    index: int
    cycles: int
    """Of all stages."""
    stage_cycles: int
    share: float
    """Of the stage, 0 to 1; NaN where it cannot be told."""
    expected_ns: int | None
    hottest_degC: float  # noqa: N815


def present_stage(recording: Recording) -> PresentStage | None:
    """Return the present stage; None where no plan is followed, or nothing was told yet."""
    if not recording.manifest.plan:
        return None
    row = recording.newest_row("progress")
    if row is None:
        return None
    expected = row["expected"]
    return PresentStage(
        plan=_plan(recording.manifest.plan),
        time_ns=int(str(row["time"])),
        stage=str(row["stage"] or ""),
        index=int(str(row["index"])),
        cycles=int(str(row["cycles"])),
        stage_cycles=int(str(row["stage_cycles"])),
        share=_or_nan(row["share"]),
        expected_ns=None if expected is None else int(str(expected)),
        hottest_degC=_or_nan(row["hottest_degC"]),
    )


@lru_cache(maxsize=8)
def _plan(text: str) -> PlanSettings:
    return parse_plan(text, f"{MANIFEST_FILE} (plan)")


def _or_nan(value: object) -> float:
    return math.nan if value is None else float(str(value))
