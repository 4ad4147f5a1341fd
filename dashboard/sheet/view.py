"""A data sheet as the page draws it: texts, and places along the plumb line.

The line is what the maker claims; right of it is better, for backlash and mass too. Places are in
per cent of the claim.
"""

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Any, Final

from dashboard.sheet.bar_place import percent_of
from dashboard.sheet.compared import compared_content
from dashboard.sheet.replay_links import span_address
from dashboard.text.format import format_date, format_short_date
from dashboard.text.theme import LIGHT
from logger.joint.bench.claims import StatedClaim
from logger.joint.data_sheet import Better
from replay.heat.text import band_values
from replay.sheet.answer import csv_rows
from replay.sheet.combining import Measured
from replay.sheet.comparison import MOST_COMPARED
from replay.sheet.sentence import sheet_sentence
from replay.sheet.sheet import Sheet, SheetRow, make_sheet
from replay.sheet.specimens import Specimen, SpecimenList
from replay.sheet.verdict import Verdict
from replay.sheet.words import (
    claim_value,
    conditions_text,
    reason_text,
    row_unit,
    sheet_note_lines,
    shown_values,
    trend_text,
    unit_words,
)

__all__ = ["sheet_view"]

_MARKS: Final = {
    Verdict.CONFIRMED: "normal",
    Verdict.FALLS_SHORT: "abnormal",
    Verdict.NOT_PROVEN: "open",
    Verdict.NOT_COMPARABLE: "none",
    Verdict.NOT_MEASURED: "none",
    Verdict.NOT_CLAIMED: "",
}


def sheet_view(
    listed: SpecimenList, *, joint: str, others: Sequence[str], zone: tzinfo
) -> dict[str, Any]:
    """Return everything that the page shows.

    `joint`, `others`: keys of specimens; the first one where there is none of that key, and of
    those beside it only those that there are, at most five.
    """
    specimens = listed.specimens
    named = {
        one.key: {"key": one.key, "name": _specimen_name(one), "pen": at % len(LIGHT.pens) + 1}
        for at, one in enumerate(specimens)
    }
    chosen = next(
        (one for one in specimens if one.key == joint), specimens[0] if specimens else None
    )
    content: dict[str, Any] = {
        "specimens": [*named.values()],
        "chosen": "",
        "others": [],
        "about": "",
        "sentence": [],
        "copy": "",
        "rows": [],
        "dates": [],
        "notes": [*sheet_note_lines(listed)],
        "conditions": [],
        "compared": None,
        "table": None,
    }
    if chosen is None:
        return content
    sheet = make_sheet(chosen)
    known = {one.key: one for one in specimens if one is not chosen}
    others_shown = [known[key] for key in dict.fromkeys(others) if key in known][
        : MOST_COMPARED - 1
    ]
    parts = [*sheet_sentence(sheet)]
    first_ns, last_ns = _dates(sheet)
    head, *rows = csv_rows([sheet])
    return content | {
        "chosen": chosen.key,
        "others": [one.key for one in others_shown],
        "about": _about(sheet, zone),
        "sentence": [part.to_json() for part in parts],
        "copy": "".join(part.text for part in parts),
        "rows": [_row_content(row, first_ns, last_ns) for row in sheet.rows],
        "dates": [format_short_date(at_ns, zone) for at_ns in (first_ns, last_ns)]
        if last_ns
        else [],
        "conditions": [*_conditions(sheet)],
        "compared": compared_content([chosen, *others_shown], named) if others_shown else None,
        "table": {"head": list(head), "rows": [list(row) for row in rows]},
    }


def _specimen_name(one: Specimen) -> str:
    return f"{one.label} {one.serial}" if one.serial else one.label


def _about(sheet: Sheet, zone: tzinfo) -> str:
    one = sheet.specimen
    who = f"serial {one.serial}" if one.serial else "by name, no serial given"
    kind = f", of the kind {one.type}" if one.type else ""
    ids = {found.finding.id for found in one.quantities}
    count, recordings = len(ids), len(one.recordings)
    text = f"{who}{kind}; {count} finding{'s' if count != 1 else ''} from {recordings} recording"
    text += "s" if recordings != 1 else ""
    first_ns, last_ns = _dates(sheet)
    if last_ns:
        text += f", {format_date(first_ns, zone)} to {format_date(last_ns, zone)}"
    return text


def _dates(sheet: Sheet) -> tuple[int, int]:
    """Return the first and the last end of what the findings stand on; zeros without findings."""
    ends = [one.finding.ended_ns for one in sheet.specimen.quantities]
    return min(ends, default=0), max(ends, default=0)


def _conditions(sheet: Sheet) -> Iterator[str]:
    """Yield what a printed page has to say of what the figures rest on."""
    yield f"Recorded: {sheet.specimen.recorded_h:.1f} h, {', '.join(sheet.specimen.recordings)}."
    methods = dict.fromkeys(
        (found.finding.kind, found.finding.method.name, found.finding.method.source)
        for found in sheet.specimen.quantities
    )
    for kind, name, source in methods:
        yield f"{kind}: {name}{f' ({source})' if source else ''}."
    programs = dict.fromkeys(one.finding.program for one in sheet.specimen.quantities)
    if programs:
        yield f"Made by {', '.join(filter(None, programs))}."


def _row_content(row: SheetRow, first_ns: int, last_ns: int) -> dict[str, Any]:
    measured = row.measured
    value = interval = ""
    if measured is not None:
        shown = shown_values(row, measured.value, measured.low, measured.high)
        value, interval = band_values((shown[0], shown[1], shown[2]))
    stated = measured.conditions if measured else row.claim.conditions if row.claim else {}
    verdict, by = _verdict(row)
    return {
        "label": _capitalised(row.label),
        "condition": conditions_text(stated),
        "claimed": claim_value(row.claim) if row.claim else "",
        "claimed_unit": unit_words(row.claim.unit) if row.claim else "",
        "value": value,
        "unit": row_unit(row) if measured else "",
        "interval": interval,
        "bar": _bar(row.claim, measured) if row.claim and measured else None,
        "mark": _MARKS[row.verdict],
        "verdict": verdict,
        "by": by,
        "why": _capitalised(reason_text(row)),
        "sources": [*_sources(measured)],
        "trend": _trend_picture(row, first_ns, last_ns),
        "trend_text": trend_text(row),
    }


def _capitalised(text: str) -> str:
    return text[:1].upper() + text[1:]


def _verdict(row: SheetRow) -> tuple[str, str]:
    """Return a verdict in words, and of what falls short the interval of by how much."""
    decision = row.decision
    if row.verdict is not Verdict.FALLS_SHORT or decision is None or row.claim is None:
        return ("" if row.verdict is Verdict.NOT_CLAIMED else row.verdict.value), ""
    shown = shown_values(row, decision.short_by, decision.short_low, decision.short_high)
    value, interval = band_values((shown[0], shown[1], shown[2]))
    verb = "differs" if row.claim.quantity.better is Better.NEITHER else "falls short"
    return f"{verb} by {value}", interval


def _bar(claim: StatedClaim, measured: Measured) -> dict[str, Any] | None:
    """Return where an interval hangs, in per cent of the claim, right is better."""
    if claim.value == 0.0 or measured.unit != claim.quantity.ucum:
        return None
    sign = -1.0 if claim.quantity.better is Better.LOWER else 1.0
    places = sorted(
        percent_of(sign * (one - claim.value), claim.value) for one in (measured.low, measured.high)
    )
    at = percent_of(sign * (measured.value - claim.value), claim.value)
    shown, _ = band_values((at, places[0], places[1]))
    text = f"{shown.lstrip('-')} %" if float(shown) else ""
    return {"low": places[0], "value": at, "high": places[1], "text": text}


def _sources(measured: Measured | None) -> Iterator[dict[str, str]]:
    """Yield the spans that a value stands on, the newest first, as links to Replay."""
    if measured is None:
        return
    for found in reversed(measured.findings):
        yield {"text": found.recording, "href": span_address(found)}


def _trend_picture(row: SheetRow, first_ns: int, last_ns: int) -> dict[str, Any] | None:
    """Return findings over dates as shares of a small picture; None for fewer than one."""
    if row.measured is None or not row.history:
        return None
    width_ns = max(last_ns - first_ns, 1)
    ends = [end for one in row.history for end in (one.quantity.low, one.quantity.high)]
    low, high = min(ends), max(ends)
    reach = (high - low) or abs(high) or 1.0
    claim = row.claim.value if row.claim and row.unit == row.claim.quantity.ucum else None
    if claim is not None and low - reach <= claim <= high + reach:
        low, high = min(low, claim), max(high, claim)
    elif claim is not None:
        claim = None
    span = (high - low) or 1.0

    def share(value: float) -> float:
        return (value - low) / span

    return {
        "points": [
            [
                (one.finding.ended_ns - first_ns) / width_ns,
                share(one.quantity.low),
                share(one.quantity.value),
                share(one.quantity.high),
            ]
            for one in sorted(row.history, key=lambda one: one.finding.ended_ns)
        ],
        "claim": None if claim is None else share(claim),
    }
