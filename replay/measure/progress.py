"""How far a measurement has come: which of its steps show that they were done. Pure."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from replay.measure.procedure import Procedure, Step

__all__ = [
    "StepProgress",
    "next_span_name",
    "role_of_span",
    "step_progress",
    "steps_of_way",
]

_SPAN_NUMBER: Final = re.compile(r"[0-9_-]+$")


@dataclass(frozen=True, slots=True, kw_only=True)
class StepProgress:
    """One step, and what there is of what it takes."""

    step: Step
    have: int
    missing: int
    """How many it takes beyond those that the steps before it take of the same."""
    is_done: bool
    is_now: bool
    """It is to be done now: the first that is not done, with those before it that nothing shows."""


def steps_of_way(procedure: Procedure, way: str) -> tuple[Step, ...]:
    """Return the steps of one way of a procedure; of its first where there is none of that name."""
    known = [one.code for one in procedure.ways]
    chosen = way if way in known else next(iter(known), "")
    return tuple(one for one in procedure.steps if one.way in {"", chosen})


def step_progress(
    procedure: Procedure,
    *,
    way: str = "",
    readings: Iterable[str] = (),
    spans: Iterable[str] = (),
) -> tuple[StepProgress, ...]:
    """Return each step of a way with how far it has come.

    Parameters
    ----------
    readings
        Names of the readings that were typed, one for each.
    spans
        Names of the spans that were marked and are over.

    A step that nothing shows counts as done once something of a later step is there.
    """
    steps = steps_of_way(procedure, way)
    typed, marked = Counter(readings), Counter(role_of_span(one) for one in spans)
    have = [_count_of(step, typed, marked) for step in steps]
    last_begun = max((place for place, count in enumerate(have) if count), default=-1)
    done = [
        count >= step.wants if step.wants else place < last_begun
        for place, (step, count) in enumerate(zip(steps, have, strict=True))
    ]
    # From the first that is open to the first of these that shows when it is done.
    first = next((place for place, is_done in enumerate(done) if not is_done), len(steps))
    end = next(
        (place for place in range(first, len(steps)) if steps[place].wants and not done[place]),
        len(steps) - 1,
    )
    return tuple(
        StepProgress(
            step=step,
            have=have[place],
            missing=_missing(steps, place, have[place]),
            is_done=done[place],
            is_now=first <= place <= end and not done[place],
        )
        for place, step in enumerate(steps)
    )


def role_of_span(name: str) -> str:
    """Return what a span stands for by its name: `loop` of loop2, `passes` of passes0-5."""
    return _SPAN_NUMBER.sub("", name)


def next_span_name(role: str, names: Iterable[str]) -> str:
    """Return the next free name of spans of one role: loop1, loop2."""
    taken = set(names)
    return next(
        name for number in range(1, len(taken) + 2) if (name := f"{role}{number}") not in taken
    )


def _missing(steps: Sequence[Step], place: int, have: int) -> int:
    step = steps[place]
    before = [
        one.wants
        for one in steps[:place]
        if (one.spans, one.readings) == (step.spans, step.readings)
    ]
    return max(step.wants - max([have, *before]), 0)


def _count_of(step: Step, typed: Counter[str], marked: Counter[str]) -> int:
    count = sum(marked[name] for name in step.spans)
    if "*" in step.readings:
        return count + typed.total()
    # A span of a level is what a reading is read at, and counts with it.
    return sum(typed[name] for name in step.readings) or count
