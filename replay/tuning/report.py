"""The result of a sweep as JSON, as a table for a person, and in sentences. Pure.

Keys of the JSON carry their units; what is not known is null. The sentences claim nothing that the
recordings do not show: with too few of them, or without a bad end, they say so.
"""

import math
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from logger.arrays import to_s
from logger.joint.channels import channel_named
from logger.joint.quantities import DISPLAYS
from logger.store.layout.manifest import iso_utc
from logger.store.layout.remote import absolute_location
from replay.tuning.choice import CHOICE_RULE, CrossValidation, ScoreTotal
from replay.tuning.sweep import Candidate
from replay.tuning.sweep_file import BadEnd
from replay.tuning.tune import SweepResult

__all__ = [
    "PARETO_TABLE_HEAD",
    "SweepOutcome",
    "choice_provenance",
    "choice_sentences",
    "describe_bad_end",
    "pareto_rows",
    "sweep_outcome",
    "sweep_to_json",
]

PARETO_TABLE_HEAD: Final = (
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
_MAX_PARETO_ROWS: Final = 20
"""Best trade-offs that a person is shown; all of them are in the JSON answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepOutcome:
    """How a sweep ended: in sentences, and as the exit status of the command."""

    status: int
    sentences: tuple[str, ...]


def sweep_to_json(result: SweepResult) -> dict[str, Any]:
    """Return everything but the table of all candidates as plain content, for JSON."""
    request = result.request
    candidates = request.sweep.candidates
    return {
        "whole": result.is_complete,
        "candidates": len(candidates),
        "refused": request.sweep.refused,
        "joints": list(request.joints),
        "recordings": [
            {
                "recording": str(source.path),
                "name": source.name,
                "heard_s": round(source.recorded_s, 3),
                "bad_ends": [
                    {
                        "joint": joint,
                        "start": iso_utc(begin),
                        "duration_s": round(to_s(end - begin), 3),
                    }
                    for joint, spans in source.bad_ends.items()
                    for begin, end in spans
                ],
            }
            for source in request.inputs
        ],
        "bad_ends": result.bad_ends,
        "rule": CHOICE_RULE,
        "best": [
            _candidate_to_json(candidates[index], result.totals[index])
            for index in result.pareto_indices
        ],
        "choice": None
        if result.chosen_index is None
        else _candidate_to_json(
            candidates[result.chosen_index], result.totals[result.chosen_index]
        ),
        "judged": None
        if result.validation is None
        else _validation_to_json(result, result.validation),
        "said": list(sweep_outcome(result).sentences),
    }


def _candidate_to_json(candidate: Candidate, total: ScoreTotal) -> dict[str, Any]:
    return {
        "candidate": candidate.number,
        "changes": {f"{change.limit}.{change.key}": change.value for change in candidate.changes},
        "caught": total.caught,
        "bad_ends": total.bad_ends,
        "median_lead_s": _json_number(total.median_lead_s),
        "worst_lead_s": _json_number(total.worst_lead_s),
        "false_alerts": total.false_alerts,
        "false_per_h": _json_number(total.false_per_h),
        "chatters": total.chatters,
        "lost_share": _json_number(total.lost_share),
    }


def _validation_to_json(result: SweepResult, validation: CrossValidation) -> dict[str, Any]:
    if validation.why_not:
        return {"why_not": validation.why_not}
    candidates = result.request.sweep.candidates
    return {
        "why_not": "",
        "left_out": [
            {"recording": str(source.path), **_candidate_to_json(candidates[index], total)}
            for source, index, total in zip(
                result.request.inputs, validation.chosen, validation.left_out, strict=True
            )
        ],
        "caught": validation.caught,
        "bad_ends": validation.bad_ends,
        "caught_share_between": [round(end, 4) for end in validation.caught_interval],
        "false_per_h": dict(
            zip(
                ("lowest", "mean", "highest"),
                map(_json_number, validation.false_per_h),
                strict=True,
            )
        ),
        "lead_s": dict(
            zip(
                ("shortest", "median", "longest"), map(_json_number, validation.lead_s), strict=True
            )
        ),
    }


def _json_number(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 6)


def pareto_rows(result: SweepResult) -> list[list[str]]:
    """Return the Pareto front as rows below `PARETO_TABLE_HEAD`, with the choice marked.

    Of more than twenty, twenty that are evenly spread over the front.
    """
    indices = list(result.pareto_indices)
    if len(indices) > _MAX_PARETO_ROWS:
        step = (len(indices) - 1) / (_MAX_PARETO_ROWS - 1)
        indices = [indices[round(row * step)] for row in range(_MAX_PARETO_ROWS)]
    if result.chosen_index is not None and result.chosen_index not in indices:
        indices.insert(0, result.chosen_index)
    return [
        _pareto_row(
            result.request.sweep.candidates[index],
            result.totals[index],
            index == result.chosen_index,
        )
        for index in indices
    ]


def _pareto_row(candidate: Candidate, total: ScoreTotal, is_choice: bool) -> list[str]:  # noqa: FBT001 - a mark
    return [
        "*" if is_choice else "",
        str(candidate.number),
        ", ".join(map(str, candidate.changes)),
        f"{total.caught} of {total.bad_ends}",
        _format_duration(total.median_lead_s),
        _format_duration(total.worst_lead_s),
        f"{total.false_per_h:.3g}",
        str(total.chatters),
        "–" if math.isnan(total.lost_share) else f"{total.lost_share:.1%}",
    ]


def sweep_outcome(result: SweepResult) -> SweepOutcome:
    """Return the sentences about a sweep, and its exit status.

    0: a candidate is chosen; 1: there is no bad end, or none is caught; 130: it was stopped.
    """
    request = result.request
    bad_end_text = describe_bad_end(request.sweep.bad_end, request.labels)
    sentences = []
    if request.sweep.refused:
        sentences.append(
            f"{request.sweep.refused} combinations are no limits and were left out; the first: "
            f"{request.sweep.refusal}"
        )
    if not result.is_complete:
        expected_rows = len(request.sweep.candidates) * len(request.inputs) * len(request.joints)
        sentences.append(
            f"Stopped before its end: {len(result.rows)} of {expected_rows} results are done. "
            "Nothing is chosen on a part."
        )
        return SweepOutcome(status=130, sentences=tuple(sentences))
    if not result.bad_ends:
        count = len(request.inputs)
        sentences.append(
            f"{'The recording has' if count == 1 else f'None of the {count} recordings has'} "
            f"{'no' if count == 1 else 'a'} bad end ({bad_end_text}): there is "
            "nothing to catch, so nothing is chosen."
        )
        return SweepOutcome(status=1, sentences=tuple(sentences))
    if result.chosen_index is None:
        sentences.append(
            f"No candidate catches any of the {result.bad_ends} bad ends "
            f"({bad_end_text}). Widen the sweep, or look at what led up to them: "
            "dutytrace excursions."
        )
        return SweepOutcome(status=1, sentences=tuple(sentences))
    sentences += choice_sentences(result)
    return SweepOutcome(status=0, sentences=tuple(sentences))


def choice_sentences(result: SweepResult) -> list[str]:
    """Return the choice and how far it can be trusted."""
    assert result.chosen_index is not None, "the caller has checked it"
    assert result.validation is not None, "it was not stopped"
    candidate = result.request.sweep.candidates[result.chosen_index]
    chosen_total = result.totals[result.chosen_index]
    sentences = [
        f"Chosen: {', '.join(map(str, candidate.changes))} (candidate {candidate.number} of "
        f"{len(result.request.sweep.candidates)}): {CHOICE_RULE}.",
        f"On the recordings that it was chosen by: {_describe_total(chosen_total)}.",
    ]
    if result.request.sweep.bad_end.within_s is None:
        sentences.append(
            "Any alert since the previous bad end counts for the next one, however early: within_s "
            "in [bad_end] sets how early it may be."
        )
    validation = result.validation
    if validation.why_not:
        sentences.append(f"Not judged: {validation.why_not}")
        return sentences
    low, high = validation.caught_interval
    lowest, mean, highest = validation.false_per_h
    short, median, long = validation.lead_s
    same_choices = sum(index == result.chosen_index for index in validation.chosen)
    lead = (
        f"lead {_format_duration(median)} ({_format_duration(short)} to {_format_duration(long)}), "
        if validation.caught
        else ""
    )
    sentences.append(
        f"On recordings that had no say in it (each of the {len(validation.chosen)} left out "
        f"once): caught {validation.caught} of {validation.bad_ends}, {lead}{mean:.3g} false "
        f"alerts an hour ({lowest:.3g} to {highest:.3g}). Without one of them the same was chosen "
        f"{same_choices} times."
    )
    sentences.append(
        f"Of bad ends like these between {low:.0%} and {high:.0%} are caught (95 %, after Wilson, "
        "and only if the recordings are like the tests to come)."
    )
    return sentences


def choice_provenance(result: SweepResult, *, version: str, date: str) -> list[str]:
    """Return how limits were chosen, in lines for the top of their file."""
    request = result.request
    names = ", ".join(absolute_location(one.path).name for one in request.inputs)
    bad_end_text = describe_bad_end(request.sweep.bad_end, request.labels)
    sentences = [
        f"Limits chosen by dutytrace {version} on {date}.",
        f"Recordings: {names}.",
        f"Bad end: {bad_end_text}; {result.bad_ends} of them.",
        *choice_sentences(result),
    ]
    return [line for one in sentences for line in textwrap.wrap(one, 96)]


def _describe_total(total: ScoreTotal) -> str:
    lost = (
        ""
        if math.isnan(total.lost_share)
        else f", {total.lost_share:.1%} of the tests lost to trips"
    )
    return (
        f"caught {total.caught} of {total.bad_ends}, lead {_format_duration(total.median_lead_s)} "
        f"at the median and {_format_duration(total.worst_lead_s)} at the worst, "
        f"{total.false_per_h:.3g} false alerts an hour{lost}"
    )


def describe_bad_end(bad_end: BadEnd, labels: Mapping[str, str]) -> str:
    """Return what a bad end is: "housing above 80 °C for 5 s".

    `labels`: joint -> what people call it.
    """
    if bad_end.note is not None:
        return f"a note with {bad_end.note!r}"
    assert bad_end.channel is not None, "the model has one of the two"
    display = DISPLAYS[channel_named(bad_end.channel).quantity]
    level = bad_end.above if bad_end.above is not None else bad_end.below
    assert level is not None, "the model has one of the two"
    beyond = "at or above" if bad_end.above is not None else "at or below"
    duration_text = f" for {_format_duration(bad_end.for_s)}" if bad_end.for_s else ""
    joint_text = f" of {labels.get(bad_end.joint, bad_end.joint)}" if bad_end.joint else ""
    level_text = f"{level * display.factor:.6g}{f' {display.unit}' if display.unit else ''}"
    what = channel_named(bad_end.channel).label
    return f"{what}{joint_text} {beyond} {level_text}{duration_text}"


def _format_duration(span_s: float) -> str:
    if math.isnan(span_s):
        return "–"
    if span_s < 120:
        return f"{span_s:.3g} s"
    return f"{span_s / 60:.3g} min" if span_s < 7200 else f"{span_s / 3600:.3g} h"
