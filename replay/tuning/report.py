"""What came of a sweep: as plain content, as a table for a person, and in sentences. Pure.

Keys carry their units; what is not known is null. Nothing is claimed that the recordings do not
show: with too few of them, or without a bad end, the sentences say so.
"""

import math
import textwrap
from dataclasses import dataclass
from typing import Any, Final

from logger.joint.channels import CHANNELS, DISPLAYS
from logger.store.layout.manifest import time_text
from logger.store.layout.remote import resolved
from replay.tuning.choice import RULE, Judgement, Total
from replay.tuning.sweep import Candidate
from replay.tuning.sweep_file import BadEnd
from replay.tuning.tune import Tuned

__all__ = [
    "HEAD",
    "Outcome",
    "bad_end_words",
    "best_rows",
    "outcome",
    "plain",
    "provenance",
    "sentences",
]

HEAD: Final = (
    "",
    "candidate",
    "limits",
    "caught",
    "lead median",
    "lead worst",
    "false an hour",
    "chattering",
    "test lost",
)
_SHOWN: Final = 20
"""Best trade-offs that a person is shown; all of them are in the JSON answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a sweep ended, and the exit status that says so."""

    status: int
    said: tuple[str, ...]


def plain(tuned: Tuned) -> dict[str, Any]:
    """Return everything but the whole table as plain content."""
    asked = tuned.asked
    candidates = asked.sweep.candidates
    return {
        "whole": tuned.whole,
        "candidates": len(candidates),
        "refused": asked.sweep.refused,
        "joints": list(asked.joints),
        "recordings": [
            {
                "recording": str(one.path),
                "name": one.name,
                "heard_s": round(one.heard_s, 3),
                "bad_ends": [
                    {
                        "joint": joint,
                        "start": time_text(begin),
                        "duration_s": round((end - begin) * 1e-9, 3),
                    }
                    for joint, spans in one.bad_ends.items()
                    for begin, end in spans
                ],
            }
            for one in asked.tested
        ],
        "bad_ends": tuned.bad_ends,
        "rule": RULE,
        "best": [_scored(candidates[place], tuned.totals[place]) for place in tuned.best],
        "choice": None
        if tuned.chosen is None
        else _scored(candidates[tuned.chosen], tuned.totals[tuned.chosen]),
        "judged": None if tuned.judgement is None else _judged(tuned, tuned.judgement),
        "said": list(outcome(tuned).said),
    }


def _scored(candidate: Candidate, one: Total) -> dict[str, Any]:
    return {
        "candidate": candidate.number,
        "changes": {f"{change.limit}.{change.key}": change.value for change in candidate.changes},
        "caught": one.caught,
        "bad_ends": one.bad_ends,
        "median_lead_s": _number(one.median_lead_s),
        "worst_lead_s": _number(one.worst_lead_s),
        "false_alerts": one.false_alerts,
        "false_per_h": _number(one.false_per_h),
        "chatters": one.chatters,
        "lost_share": _number(one.lost_share),
    }


def _judged(tuned: Tuned, judgement: Judgement) -> dict[str, Any]:
    if judgement.why_not:
        return {"why_not": judgement.why_not}
    candidates = tuned.asked.sweep.candidates
    return {
        "why_not": "",
        "left_out": [
            {"recording": str(tested.path), **_scored(candidates[place], one)}
            for tested, place, one in zip(
                tuned.asked.tested, judgement.chosen, judgement.left_out, strict=True
            )
        ],
        "caught": judgement.caught,
        "bad_ends": judgement.bad_ends,
        "caught_share_between": [round(end, 4) for end in judgement.caught_between],
        "false_per_h": dict(
            zip(
                ("lowest", "mean", "highest"),
                map(_number, judgement.false_per_h),
                strict=True,
            )
        ),
        "lead_s": dict(
            zip(("shortest", "median", "longest"), map(_number, judgement.lead_s), strict=True)
        ),
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 6)


def best_rows(tuned: Tuned) -> list[list[str]]:
    """Return the best trade-offs as rows below HEAD, the choice marked; evenly thinned if many."""
    places = list(tuned.best)
    if len(places) > _SHOWN:
        step = (len(places) - 1) / (_SHOWN - 1)
        places = [places[round(index * step)] for index in range(_SHOWN)]
    if tuned.chosen is not None and tuned.chosen not in places:
        places.insert(0, tuned.chosen)
    return [
        _row(tuned.asked.sweep.candidates[place], tuned.totals[place], place == tuned.chosen)
        for place in places
    ]


def _row(candidate: Candidate, one: Total, chosen: bool) -> list[str]:  # noqa: FBT001 - a mark
    return [
        "*" if chosen else "",
        str(candidate.number),
        ", ".join(map(str, candidate.changes)),
        f"{one.caught} of {one.bad_ends}",
        _span(one.median_lead_s),
        _span(one.worst_lead_s),
        f"{one.false_per_h:.3g}",
        str(one.chatters),
        "–" if math.isnan(one.lost_share) else f"{one.lost_share:.1%}",
    ]


def outcome(tuned: Tuned) -> Outcome:
    """Return what is to be said of a sweep, and its exit status: 0, 1 or 130."""
    asked = tuned.asked
    bad_end = bad_end_words(asked.sweep.bad_end)
    said = []
    if asked.sweep.refused:
        said.append(
            f"{asked.sweep.refused} combinations are no limits and were left out; the first: "
            f"{asked.sweep.refusal}"
        )
    if not tuned.whole:
        every = len(asked.sweep.candidates) * len(asked.tested) * len(asked.joints)
        said.append(
            f"Stopped before its end: {len(tuned.rows)} of {every} results are done. Nothing is "
            "chosen on a part."
        )
        return Outcome(status=130, said=tuple(said))
    if not tuned.bad_ends:
        count = len(asked.tested)
        said.append(
            f"{'The recording has' if count == 1 else f'None of the {count} recordings has'} "
            f"{'no' if count == 1 else 'a'} bad end ({bad_end}): there is "
            "nothing to catch, so nothing is chosen."
        )
        return Outcome(status=1, said=tuple(said))
    if tuned.chosen is None:
        said.append(
            f"No candidate catches any of the {tuned.bad_ends} bad ends "
            f"({bad_end}). Widen the sweep, or look at what led up to them: "
            "dutytrace excursions."
        )
        return Outcome(status=1, said=tuple(said))
    said += sentences(tuned)
    return Outcome(status=0, said=tuple(said))


def sentences(tuned: Tuned) -> list[str]:
    """Return the choice and how far it can be trusted."""
    assert tuned.chosen is not None, "the caller has looked"
    assert tuned.judgement is not None, "it was not stopped"
    chosen = tuned.asked.sweep.candidates[tuned.chosen]
    said = [
        f"Chosen: {', '.join(map(str, chosen.changes))} (candidate {chosen.number} of "
        f"{len(tuned.asked.sweep.candidates)}): {RULE}.",
        f"On the recordings that it was chosen by: {_worth(tuned.totals[tuned.chosen])}.",
    ]
    if tuned.asked.sweep.bad_end.within_s is None:
        said.append(
            "Any alert since the bad end before counts for the next, however early: within_s in "
            "[bad_end] says how early is of use."
        )
    judgement = tuned.judgement
    if judgement.why_not:
        said.append(f"Not judged: {judgement.why_not}")
        return said
    low, high = judgement.caught_between
    calm, mean, loud = judgement.false_per_h
    short, median, long = judgement.lead_s
    same = sum(place == tuned.chosen for place in judgement.chosen)
    lead = f"lead {_span(median)} ({_span(short)} to {_span(long)}), " if judgement.caught else ""
    said.append(
        f"On recordings that had no say in it (each of the {len(judgement.chosen)} left out once): "
        f"caught {judgement.caught} of {judgement.bad_ends}, {lead}{mean:.3g} false alerts an hour "
        f"({calm:.3g} to {loud:.3g}). Without one of them the same was chosen {same} times."
    )
    said.append(
        f"Of bad ends like these between {low:.0%} and {high:.0%} are caught (95 %, after Wilson, "
        "and only if the recordings are like the tests to come)."
    )
    return said


def provenance(tuned: Tuned, *, version: str, date: str) -> list[str]:
    """Return where chosen limits come from, in lines for the top of their file."""
    asked = tuned.asked
    listed = ", ".join(resolved(one.path).name for one in asked.tested)
    said = [
        f"Limits chosen by dutytrace {version} on {date}.",
        f"Recordings: {listed}.",
        f"Bad end: {bad_end_words(asked.sweep.bad_end)}; {tuned.bad_ends} of them.",
        *sentences(tuned),
    ]
    return [line for one in said for line in textwrap.wrap(one, 96)]


def _worth(one: Total) -> str:
    lost = (
        "" if math.isnan(one.lost_share) else f", {one.lost_share:.1%} of the tests lost to trips"
    )
    return (
        f"caught {one.caught} of {one.bad_ends}, lead {_span(one.median_lead_s)} at the median and "
        f"{_span(one.worst_lead_s)} at the worst, {one.false_per_h:.3g} false alerts an hour{lost}"
    )


def bad_end_words(said: BadEnd) -> str:
    """Return what a bad end is: "housing above 80 °C for 5 s"."""
    if said.note is not None:
        return f"a note with {said.note!r}"
    assert said.channel is not None, "the model has one of the two"
    display = DISPLAYS[CHANNELS[said.channel].quantity]
    level = said.above if said.above is not None else said.below
    assert level is not None, "the model has one of the two"
    beyond = "above" if said.above is not None else "below"
    held = f" for {_span(said.for_s)}" if said.for_s else ""
    where = f" of {said.joint}" if said.joint else ""
    shown = f"{level * display.factor:.6g}{f' {display.unit}' if display.unit else ''}"
    return f"{CHANNELS[said.channel].label}{where} {beyond} {shown}{held}"


def _span(span_s: float) -> str:
    if math.isnan(span_s):
        return "–"
    if span_s < 120:
        return f"{span_s:.3g} s"
    return f"{span_s / 60:.3g} min" if span_s < 7200 else f"{span_s / 3600:.3g} h"
