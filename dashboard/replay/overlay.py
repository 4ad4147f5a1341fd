"""What is said of a second recording that is laid over the one that is open.

Whether it can be laid over it, at which events the two can be aligned, and a label that says which
lies over which and by how much it was moved. Whatever is wrong with the second one never takes the
first one from the page: it is drawn alone, and what is wrong is said in a sentence.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timezone
from typing import Any, Final

from dashboard.figures.axes import Planned
from dashboard.plot_data import other_pens, plan_of
from dashboard.server.recording_cache import Shelf
from dashboard.text.theme import channel_words, clock, day, elapsed, number, span_words
from dashboard.text.units import PLAIN, Displays
from logger.errors import DutytraceError, InputError
from logger.limits.words import label
from replay.alignment import Anchor, Laid, anchors, same_limit
from replay.recording import Recording

__all__ = ["Asked", "about", "drawn_over", "label_of"]

Answer = dict[str, Any]
FURTHEST_S: Final = 1e8
MOST_ANCHORS: Final = 400
"""More events than that nobody reads through; a shift by hand reaches the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Which recording is to be laid over the one that is open, moved by how much."""

    name: str
    shift_s: float
    where: timezone


def drawn_over(
    asked: Asked, shelf: Shelf, first: Recording, draw: Callable[[Laid | None], Answer]
) -> Answer:
    """Return what `draw` gives with the second recording, or without it and why under "over"."""
    if not asked.name:
        return draw(None)
    try:
        laid = _laid(shelf, first, asked)
        drawn = draw(laid)
    except (DutytraceError, OSError, ValueError) as fault:
        # What is wrong with the first recording is found here again.
        return {**draw(None), "over": {"fault": _sentence(asked.name, fault)}}
    return {**drawn, "over": {"words": label_of(first, laid, asked.where)}}


def _laid(shelf: Shelf, first: Recording, asked: Asked) -> Laid:
    second = shelf.open(asked.name)
    if not any(other_pens(row, second) for row in plan_of(first)):
        raise InputError(_nothing_shared(first, second))
    shift_s = asked.shift_s if math.isfinite(asked.shift_s) else 0.0
    shift_s = min(max(shift_s, -FURTHEST_S), FURTHEST_S)
    # Whole microseconds, as the address bar has them.
    return Laid(recording=second, shift_ns=round(shift_s * 1e6) * 1000)


def _sentence(name: str, fault: Exception) -> str:
    if isinstance(fault, DutytraceError):
        return f"Nothing is laid over it. {fault}"
    return f"Nothing is laid over it: {name[:80]} cannot be read ({fault})."


def _nothing_shared(first: Recording, second: Recording) -> str:
    shared = [joint for joint in first.joints if joint in second.joints]
    if not shared:
        return (
            f"{second.name} has no joint of {first.name}: found {_listed(second.joints)}, "
            f"expected one of {_listed(first.joints)}."
        )
    return (
        f"{second.name} has no channel of {first.name} that is drawn here: both have "
        f"{_listed(shared)}, but measured other things of it."
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) or "none"


def label_of(first: Recording, laid: Laid, where: timezone) -> str:
    """Say which recording lies over which, how it is drawn and by how much it was moved."""
    other = laid.recording
    begun = f"{day(other.start_ns, where)}, {clock(other.start_ns, where)}"
    said = f"{other.name}, begun {begun}, over {first.name}; {_moved(laid.shift_ns / 1e9)}"
    length_s = (first.end_ns - first.start_ns) / 1e9
    begins_s = laid.shift_ns / 1e9
    ends_s = begins_s + (other.end_ns - other.start_ns) / 1e9
    if ends_s <= 0 or begins_s >= length_s:
        said += (
            f". Nothing of it lies within this recording: it would reach from "
            f"{elapsed(begins_s)} to {elapsed(ends_s)}"
        )
    return said


def _moved(shift_s: float) -> str:
    if shift_s == 0:
        return "start on start"
    how = "later" if shift_s > 0 else "earlier"
    return f"moved {_exact(abs(shift_s))} {how}"


def _exact(length_s: float) -> str:
    """Return a length with the decimals that it has, and from a minute on in words beside it."""
    text = number(length_s, 3).rstrip("0").rstrip(".")
    return f"{text} s" if length_s < 100 else f"{text} s ({span_words(length_s)})"


def about(first: Recording, second: Recording, displays: Displays = PLAIN) -> Answer:
    """Return what both can be aligned at, the default among it, and what the second one lacks.

    Raises
    ------
    InputError
        They have no joint or no channel in common.
    """
    plan = plan_of(first, displays)
    if not any(other_pens(row, second) for row in plan):
        raise InputError(f"Nothing is laid over it. {_nothing_shared(first, second)}")
    here, there = (_anchors(one) for one in (first, second))
    return {
        "name": second.name,
        "length_s": (second.end_ns - second.start_ns) / 1e9,
        "here": [_worded(one, first, displays) for one in here[:MOST_ANCHORS]],
        "there": [_worded(one, second, displays) for one in there[:MOST_ANCHORS]],
        "left": max(0, len(here) - MOST_ANCHORS) + max(0, len(there) - MOST_ANCHORS),
        "pair": same_limit(here[:MOST_ANCHORS], there[:MOST_ANCHORS]),
        "said": [*_lacking(plan, second), *second.missing()],
    }


def _anchors(recording: Recording) -> tuple[Anchor, ...]:
    return anchors(
        recording.events(),
        start_ns=recording.start_ns,
        end_ns=None if recording.live else recording.end_ns,
    )


def _worded(anchor: Anchor, recording: Recording, displays: Displays) -> Answer:
    at_s = anchor.at_ns / 1e9
    if anchor.kind == "note":
        words = f"note: {anchor.text}"
    elif anchor.kind == "ended":
        words = "the end"
    else:
        limit = recording.limits.named(anchor.limit)
        named = anchor.limit.replace("-", " ") if limit is None else label(limit, displays)
        over = ", over" if anchor.kind == "returned" else ""
        words = f"{anchor.joint} {named}{over}".strip()
    return {"at_s": round(at_s, 6), "words": f"{elapsed(at_s)} {words}"}


def _lacking(plan: Sequence[Planned], second: Recording) -> list[str]:
    """Say which joints and channels of the rows the second recording has not."""
    joints = sorted({pen.joint for row in plan for pen in row.pens} - set(second.joints))
    said = [f"It has no {joint}." for joint in joints]
    for joint in second.joints:
        absent = [
            channel_words(pen.channel)
            for row in plan
            for pen in row.measured
            if pen.joint == joint and pen.channel not in second.channels(joint)
        ]
        if absent:
            said.append(f"Its {joint} has no {', '.join(absent)}.")
    return said
