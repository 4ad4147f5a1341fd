"""Sheets and comparisons as JSON objects, and the rows of sheets as a table for others. Pure."""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from replay.sheet.change_point import ChangePoint
from replay.sheet.combining import Measured, SourcedQuantity
from replay.sheet.comparison import Comparison
from replay.sheet.conditions import Mismatch
from replay.sheet.sheet import Sheet, SheetRow
from replay.sheet.specimens import Note, SpecimenList

__all__ = ["csv_rows", "sheet_answer"]

_CSV_HEAD: Final = (
    "specimen", "joint", "serial", "type", "quantity", "unit", "claimed", "measured", "low", "high",
    "standard_uncertainty", "verdict", "short_by", "trend_per_100_h", "trend_low", "trend_high",
    "trend_unseen_below", "recordings", "findings",
)  # fmt: skip
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


def sheet_answer(
    listed: SpecimenList, sheets: Sequence[Sheet], comparison: Comparison | None
) -> dict[str, Any]:
    """Return the answer of `dutytrace sheet --json`: values in the UCUM unit beside them."""
    notes = [*listed.notes, *(note for sheet in sheets for note in sheet.specimen.notes)]
    return {
        "specimens": [_specimen(sheet) for sheet in sheets],
        "comparison": None if comparison is None else _comparison(comparison),
        "notes": [_note(one) for one in dict.fromkeys(notes)],
    }


def _specimen(sheet: Sheet) -> dict[str, Any]:
    one = sheet.specimen
    return {
        "specimen": one.key,
        "joint": one.name,
        "serial": one.serial,
        "type": one.type,
        "recordings": list(one.recordings),
        "recorded_h": one.recorded_h,
        "rows": [_row_json(row) for row in sheet.rows],
    }


def _row_json(row: SheetRow) -> dict[str, Any]:
    claim, decision, trend = row.claim, row.decision, row.trend
    repeat = decision.repeat if decision is not None else None
    return {
        "quantity": row.name,
        "unit": row.unit,
        "claim": None
        if claim is None
        else {
            "value": claim.value,
            "written": claim.text,
            "written_unit": claim.unit,
            "tolerance": claim.tolerance,
            "conditions": dict(claim.conditions),
        },
        "measured": None if row.measured is None else _measured(row.measured),
        "verdict": row.verdict.value,
        "short_by": None
        if decision is None or decision.short_high == 0.0
        else [decision.short_by, decision.short_low, decision.short_high],
        "apart": [_mismatch(one) for one in row.mismatches],
        "held_by": row.held_by,
        "repeat": None if repeat is None else {"more": repeat.more, "by": repeat.by_source},
        "trend": None
        if trend is None
        else {
            "per_100_h": trend.per_100_h,
            "low": trend.low,
            "high": trend.high,
            "chance": trend.chance,
            "seen": trend.is_seen,
            "unseen_below": trend.unseen_below,
            "span_h": trend.span_h,
            "count": trend.count,
            "at_once": trend.is_at_once,
            "change": None if trend.change is None else _change(trend.change),
        },
        "to_do": row.to_do,
    }


def _change(change: ChangePoint) -> dict[str, Any]:
    return {
        "after_h": change.after_h,
        "before_h": change.before_h,
        "by": change.change,
        "low": change.low,
        "high": change.high,
        "chance": change.chance,
        "seen": change.is_seen,
        "unseen_below": change.unseen_below,
    }


def _measured(measured: Measured) -> dict[str, Any]:
    return {
        "value": measured.value,
        "standard_uncertainty": measured.standard_uncertainty,
        "low": measured.low,
        "high": measured.high,
        "degrees_of_freedom": measured.degrees_of_freedom,
        "interval_by": measured.interval_by.value,
        "conditions": dict(measured.conditions),
        "spread": measured.spread,
        "findings": [_finding(one) for one in measured.findings],
    }


def _finding(one: SourcedQuantity) -> dict[str, Any]:
    return {
        "id": one.finding.id,
        "kind": one.finding.kind,
        "recording": one.recording,
        "running_h": one.running_h,
        "value": one.quantity.value,
        "low": one.quantity.low,
        "high": one.quantity.high,
        "gone": one.is_gone,
        "corrected": None
        if one.correction is None
        else {
            "by": one.correction.factor,
            "stored": one.correction.stored,
            "measured": one.correction.measured,
        },
        "spans": [span.model_dump() for span in one.finding.spans],
    }


def _mismatch(one: Mismatch) -> dict[str, Any]:
    return {
        "why": one.fault.value,
        "condition": one.key,
        "claimed": one.claimed,
        "measured": one.measured,
    }


def _comparison(comparison: Comparison) -> dict[str, Any]:
    return {
        "questions": comparison.questions,
        "differences": [
            {
                "first": one.first,
                "second": one.second,
                "quantity": one.name,
                "unit": one.unit,
                "value": one.value,
                "standard_uncertainty": one.standard_uncertainty,
                "degrees_of_freedom": one.degrees_of_freedom,
                "interval": [one.low, one.high],
                "interval_of_all": [one.low_all, one.high_all],
                "chance": one.chance,
                "chance_of_all": one.chance_all,
                "more_than_chance": one.is_more_than_chance,
                "shared": list(one.shared),
            }
            for one in comparison.differences
        ],
        "apart": [
            {
                "first": one.first,
                "second": one.second,
                "quantity": one.name,
                "conditions": [_mismatch(inner) for inner in one.mismatches],
            }
            for one in comparison.apart
        ],
    }


def _note(note: Note) -> dict[str, str]:
    return {"kind": note.kind.value, "subject": note.subject, "detail": note.detail}


def csv_rows(sheets: Sequence[Sheet]) -> Iterator[tuple[str, ...]]:
    """Yield the head and a row for each quantity; no text in it begins a spreadsheet's formula."""
    yield _CSV_HEAD
    for sheet in sheets:
        one = sheet.specimen
        for row in sheet.rows:
            measured, trend = row.measured, row.trend
            found = measured.findings if measured is not None else ()
            yield (
                *map(_plain, (one.key, one.name, one.serial, one.type, row.name, row.unit)),
                _number(row.claim.value if row.claim else None),
                *map(
                    _number,
                    (measured.value, measured.low, measured.high, measured.standard_uncertainty)
                    if measured is not None
                    else (None,) * 4,
                ),
                row.verdict.value,
                _number(row.decision.short_by if row.decision else None),
                *map(
                    _number,
                    (trend.per_100_h, trend.low, trend.high, trend.unseen_below)
                    if trend is not None
                    else (None,) * 4,
                ),
                _plain(" ".join(dict.fromkeys(one.recording for one in found))),
                " ".join(one.finding.id for one in found),
            )


def _plain(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def _number(value: float | None) -> str:
    return "" if value is None else repr(value)
