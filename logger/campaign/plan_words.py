"""A plan in plain words: what each stage waits for."""

from typing import Any, Final

from logger.campaign.plan_settings import (
    END_KEYS,
    CycleStart,
    PlanSettings,
    StageEnd,
    StageSettings,
)
from logger.joint.channels import channel_named

__all__ = ["cycle_words", "end_words", "keep_words", "plan_answer", "stage_words"]

_SPANS: Final = ((86_400.0, "d"), (3600.0, "h"), (60.0, "min"))


def plan_answer(plan: PlanSettings) -> dict[str, Any]:
    """Return a plan as the answer of `dutytrace plan check --json`."""
    return {
        "name": plan.name,
        "joint": plan.joint,
        "cycles": cycle_words(plan),
        "keeps": keep_words(plan),
        "stages": [
            {
                "stage": stage.name,
                "ends_by": next(key for key in END_KEYS if getattr(stage.end, key) is not None),
                "words": stage_words(stage),
                "watch": list(stage.watch),
            }
            for stage in plan.stage
        ],
    }


def stage_words(stage: StageSettings) -> str:
    """Return a stage in words, without its name and without a full stop."""
    watched = f"; watches {', '.join(stage.watch)}" if stage.watch else ""
    return f"{end_words(stage.end)}{watched}"


def cycle_words(plan: PlanSettings) -> str:
    """Return in a sentence how the cycles of a plan are found."""
    start = plan.cycle or CycleStart.model_construct(channel=None, above=None, note=None)
    if start.note is not None:
        return f"A cycle begins with each note {start.note!r}."
    if start.channel is None:
        return "Cycles are found by themselves: position, torque or current returning."
    label = channel_named(start.channel).label
    if start.above is None:
        return f"Cycles are found by themselves, from {label} returning."
    unit = start.channel.rsplit("_", 1)[-1]
    fall = start.hysteresis or 0.0
    below = f", after it was below {start.above - fall:g}" if fall else ""
    return f"A cycle begins when {label} rises through {start.above:g} {unit}{below}."


def keep_words(plan: PlanSettings) -> str:
    """Return in a sentence what of the recording is kept for good."""
    if plan.keep is None:
        return "Everything is kept."
    kept = _span(plan.keep.frames_days * 86_400.0)
    return (
        f"Raw frames are kept for {kept}, and for good where they led up to an alert; readings, "
        "events, alerts and buckets are always kept."
    )


def end_words(end: StageEnd) -> str:
    """Return what ends a stage: "lasts 50,000 cycles"."""
    if end.duration_s is not None:
        return f"lasts {_span(end.duration_s)}"
    if end.cycles is not None:
        return f"lasts {end.cycles:,} cycle{'s' if end.cycles > 1 else ''}"
    if end.ambient_within_K is not None:
        held = f" for {_span(end.for_s)}" if end.for_s else ""
        return f"lasts until the joint is within {end.ambient_within_K:g} K of its ambient{held}"
    if end.below_degC is not None:
        return f"lasts until the joint is below {end.below_degC:g} degC"
    if end.equilibrium_K_per_h is not None:
        return (
            "lasts until no temperature of the joint changes by more than "
            f"{end.equilibrium_K_per_h:g} K in an hour"
        )
    return f"lasts until somebody writes the note {end.note!r}"


def _span(seconds: float) -> str:
    for size_s, unit in _SPANS:
        if seconds >= size_s:
            return f"{seconds / size_s:.4g} {unit}"
    return f"{seconds:.4g} s"
