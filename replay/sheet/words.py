"""Rows and notes of sheets and comparisons, for the terminal and the page. Pure."""

from collections.abc import Iterator, Mapping
from typing import Final

from logger.findings.finding import TORQUE_CONSTANT
from logger.joint.bench.claims import StatedClaim
from logger.joint.data_sheet import Better
from replay.heat.text import band_text, band_values, unit_text
from replay.sheet.comparison import Comparison, Difference
from replay.sheet.conditions import ConditionFault, Conditions, Mismatch
from replay.sheet.sheet import Sheet, SheetRow
from replay.sheet.specimens import Note, NoteKind, SpecimenList
from replay.sheet.torque_basis import stored_constant
from replay.sheet.verdict import Verdict

__all__ = [
    "claim_text",
    "claim_value",
    "comparison_line",
    "condition_text",
    "conditions_text",
    "difference_rows",
    "head_line",
    "measured_text",
    "reason_text",
    "row_unit",
    "sheet_note_lines",
    "sheet_rows",
    "shown_values",
    "torque_text",
    "trend_text",
    "unit_words",
    "verdict_text",
]

_LEAST_SPREAD: Final = 1.05
"""Scatter over what was stated from which on it is said: below it would read as "1.0 times"."""
_READ_UNITS: Final = {
    "Nm": "N·m", "mNm": "mN·m", "kNm": "kN·m", "Nm_A": "N·m/A", "rad_s": "rad/s", "deg_s": "°/s",
    "turn_s": "turns/s", "deg": "°", "Nm_arcmin": "N·m/arcmin", "Nm_rad": "N·m/rad",
    "percent": "%", "K_W": "K/W", "ohm": "Ω", "mohm": "mΩ", "1": "",
}  # fmt: skip
_KEYS: Final = {
    "ambient_degC": ("ambient", " °C"),
    "winding_degC": ("winding", " °C"),
    "housing_degC": ("housing", " °C"),
    "supply_V": ("supply", " V"),
    "temperature_winding_degC": ("winding", " °C"),
    "temperature_housing_degC": ("housing", " °C"),
    "temperature_drive_degC": ("drive", " °C"),
    "temperature_ambient_degC": ("ambient", " °C"),
    "speed_rad_s": ("speed", " rad/s"),
    TORQUE_CONSTANT: ("from current by", " N·m/A"),
    "cycle_time_s": ("cycle", " s"),
    "start_s": ("from", " s"),
    "travel_rad": ("travel", " rad"),
}
_VERDICT_COUNTS: Final = {
    Verdict.CONFIRMED: "met",
    Verdict.FALLS_SHORT: "not met",
    Verdict.NOT_PROVEN: "not proven either way",
    Verdict.NOT_COMPARABLE: "not comparable",
    Verdict.NOT_MEASURED: "not measured yet",
}
_HELD_BY: Final = {
    "current": "the drive gave no more current",
    "torque": "the drive gave no more torque",
    "speed": "the drive let it turn no faster",
    "supply": "the supply sagged",
    "temperature": "the drive reduced it for its temperature",
    "set-point": "the set-point was never higher",
}


def unit_words(unit: str) -> str:
    """Return a unit of a claim's key, or a UCUM code, as a person reads it."""
    if unit in _READ_UNITS:
        return _READ_UNITS[unit]
    return unit_text(unit).replace("'", "arcmin").replace("Cel", "°C").replace("Ohm", "Ω")


def condition_text(key: str, value: bool | float | str | None) -> str:  # noqa: FBT001
    """Return a condition in words: ambient 25 °C, holding still."""
    if key == "holding":
        return "holding still" if value else "turning"
    if value is None:
        return _KEYS.get(key, (key.replace("_", " "), ""))[0]
    if key == "mounting":
        return str(value)
    name, unit = _KEYS.get(key, (key.replace("_", " "), ""))
    # Four digits say a condition: it is what was held, not what was measured.
    shown = f"{value:.4g}" if isinstance(value, float) else str(value)
    return f"{name} {shown}{unit}"


def conditions_text(conditions: Conditions) -> str:
    """Return conditions in words, "" where there are none."""
    return ", ".join(condition_text(key, value) for key, value in conditions.items())


def claim_value(claim: StatedClaim) -> str:
    """Return the number of a claim as it was written, with its tolerance: 24.0."""
    if claim.tolerance is None:
        return claim.text
    return f"{claim.text} ± {claim.tolerance / claim.factor:g}"


def claim_text(claim: StatedClaim) -> str:
    """Return a claim as it was written: 24.0 N·m."""
    return f"{claim_value(claim)} {unit_words(claim.unit)}".rstrip()


def shown_values(row: SheetRow, *values: float) -> tuple[float, ...]:
    """Return values of a row in the unit in which it is shown, that of its claim."""
    is_same = row.claim is not None and row.claim.quantity.ucum == row.unit
    factor = row.claim.factor if row.claim is not None and is_same else 1.0
    return tuple(value / factor for value in values)


def row_unit(row: SheetRow) -> str:
    """Return the unit in which a row is shown."""
    is_same = row.claim is not None and row.claim.quantity.ucum == row.unit
    return unit_words(row.claim.unit if row.claim is not None and is_same else row.unit)


def measured_text(row: SheetRow) -> str:
    """Return what was measured with its interval: 21.4 (20.9 to 21.8) N·m; "" for nothing."""
    if row.measured is None:
        return ""
    value, low, high = shown_values(row, row.measured.value, row.measured.low, row.measured.high)
    return f"{band_text((value, low, high))} {row_unit(row)}".rstrip()


def verdict_text(row: SheetRow) -> str:
    """Return the verdict in words: falls short by 2.6 N·m (2.2 to 3.0)."""
    decision = row.decision
    if row.verdict is Verdict.NOT_CLAIMED:
        return ""
    if row.verdict is not Verdict.FALLS_SHORT or decision is None or row.claim is None:
        return row.verdict.value
    shown = shown_values(row, decision.short_by, decision.short_low, decision.short_high)
    value, interval = band_values((shown[0], shown[1], shown[2]))
    verb = "differs" if row.claim.quantity.better is Better.NEITHER else "falls short"
    return f"{verb} by {f'{value} {row_unit(row)}'.rstrip()} ({interval})"


def reason_text(row: SheetRow) -> str:
    """Return why a row stands as it does, or what to do; "" where there is nothing to say."""
    reasons = [_mismatch_text(one) for one in row.mismatches]
    if row.measured is not None and row.measured.is_simulated:
        reasons.insert(0, "simulated")
    reasons.append(torque_text(row))
    if row.verdict is Verdict.FALLS_SHORT and row.held_by:
        causes = row.held_by.split("/")
        reasons.append(" or ".join(_HELD_BY.get(one, one) for one in causes))
    if row.decision is not None and row.decision.repeat is not None:
        reasons.append(_repeat_text(row))
    measured = row.measured
    if measured is not None and measured.spread >= _LEAST_SPREAD:
        reasons.append(
            f"{len(measured.findings)} findings differ {measured.spread:.1f} times as much as they "
            "say: interval widened"
        )
    if measured is not None and any(one.is_gone for one in measured.findings):
        reasons.append("a recording that it stands on is not among these")
    if row.trend is not None and row.trend.is_at_once:
        reasons.append("it changed at one time: the findings since then count")
    if row.is_newest_only:
        reasons.append("it changes: the newest finding counts")
    if row.to_do:
        reasons.append(row.to_do)
    return "; ".join(filter(None, reasons))


def torque_text(row: SheetRow) -> str:
    """Return by what torque per ampere a row's torque was made, and what was done; "" for none."""
    if row.measured is None:
        return ""
    found = row.measured.findings
    corrections = dict.fromkeys(one.correction for one in found if one.correction is not None)
    if corrections:
        return "; ".join(
            f"corrected by {one.factor:.3f}: from current by {one.stored:.4g} N·m/A, measured "
            f"{one.measured:.4g}"
            for one in corrections
        )
    stored = dict.fromkeys(
        constant
        for one in found
        if (constant := stored_constant(one) or one.hidden_constant) is not None
    )
    if stored and not row.mismatches:
        constants = " and ".join(f"{one:.4g}" for one in stored)
        return f"from current by {constants} N·m/A of the bench file, which was not measured"
    return ""


def _mismatch_text(one: Mismatch) -> str:
    if one.fault is ConditionFault.HIDDEN:
        return (
            f"made from current, it does not tell by what (bench file: {one.claimed:.4g} N·m/A, "
            f"measured: {one.measured:.4g}): evaluate it again"
        )
    if one.key == "unit":
        return f"claimed in {unit_words(str(one.claimed))}, kept in {unit_words(str(one.measured))}"
    if one.fault is ConditionFault.NOT_CLAIMED:
        name = condition_text(one.key, None) if one.key != "holding" else "turning or holding"
        return f"measured under several ({name}), the claim does not say which"
    if one.fault is ConditionFault.NOT_MEASURED:
        return (
            f"claimed for {condition_text(one.key, one.claimed)}, which is not stated for the "
            "measurement"
        )
    return (
        f"claimed for {condition_text(one.key, one.claimed)}, measured for "
        f"{condition_text(one.key, one.measured)}"
    )


def _repeat_text(row: SheetRow) -> str:
    assert row.decision is not None, "asked for a row with a verdict"
    repeat = row.decision.repeat
    assert repeat is not None, "asked for one that is not proven"
    if repeat.more is not None:
        times = "measurement" if repeat.more == 1 else "measurements"
        return f"{repeat.more} more {times} like it may settle it"
    if repeat.by_source:
        shared = f"{repeat.by_source}, which all share,"
        return f"repeating does not settle it: {shared} is not known well enough"
    return "it is too near to the claim to be settled"


def trend_text(row: SheetRow) -> str:
    """Return how it goes over the hours recorded, and what would have been seen."""
    trend = row.trend
    if trend is None:
        return ""
    slope, low, high, unseen = shown_values(
        row, trend.per_100_h, trend.low, trend.high, trend.unseen_below
    )
    unit = row_unit(row)
    if trend.is_at_once and trend.change is not None:
        found = trend.change
        change, least, most = shown_values(row, found.change, found.low, found.high)
        value, interval = band_values((change, least, most))
        sign = "+" if change > 0.0 else ""
        between = f"between {found.after_h:.0f} and {found.before_h:.0f} h"
        return f"{sign}{value} {unit} at one time, {between} ({interval})"
    if trend.is_seen:
        value, interval = band_values((slope, low, high))
        sign = "+" if slope > 0.0 else ""
        return f"{sign}{value} {unit} in 100 h ({interval})"
    text = f"no drift seen; less than {_two_digits(unseen)} {unit} in 100 h would not show"
    if trend.change is None:
        return text
    (unseen,) = shown_values(row, trend.change.unseen_below)
    return f"{text}, nor a step below {_two_digits(unseen)} {unit}"


def _two_digits(value: float) -> str:
    """Return two digits of a value, without a power of ten."""
    return f"{float(f'{value:.2g}'):g}"


def head_line(sheet: Sheet) -> str:
    """Return what a sheet is of: name, serial or that there is none, type, recordings and hours."""
    specimen = sheet.specimen
    serial = f"serial {specimen.serial}" if specimen.serial else "by name, no serial given"
    kind = f", {specimen.type}" if specimen.type else ""
    count = len(specimen.recordings)
    return (
        f"{specimen.label}{kind}, {serial}: {count} recording{'s' if count != 1 else ''}, "
        f"{specimen.recorded_h:.1f} h; {'simulated; ' if sheet.is_simulated else ''}"
        f"{_counts_text(sheet)}"
    )


def _counts_text(sheet: Sheet) -> str:
    claims = sum(row.claim is not None for row in sheet.rows)
    if not claims:
        return "nothing is claimed (`[joint.claims]` in the bench file)"
    counts = [
        f"{count} {words}"
        for verdict, words in _VERDICT_COUNTS.items()
        if (count := sheet.count_of(verdict))
    ]
    return f"of {claims} claim{'s' if claims != 1 else ''} {', '.join(counts)}"


def sheet_rows(sheet: Sheet) -> Iterator[tuple[str, ...]]:
    """Yield quantity, claimed, measured, verdict, why, from what, over time."""
    for row in sheet.rows:
        conditions: Conditions = {}
        if row.measured is not None:
            conditions = row.measured.conditions
        elif row.claim is not None:
            conditions = row.claim.conditions
        stated = conditions_text(conditions)
        yield (
            f"{row.label} ({stated})" if stated else row.label,
            claim_text(row.claim) if row.claim is not None else "",
            measured_text(row),
            verdict_text(row),
            reason_text(row),
            _source_text(row),
            trend_text(row),
        )


def _source_text(row: SheetRow) -> str:
    if row.measured is None:
        return ""
    names = list(dict.fromkeys(one.recording for one in row.measured.findings))
    return names[0] if len(names) == 1 else f"{names[-1]} and {len(names) - 1} more"


def comparison_line(comparison: Comparison) -> str:
    """Return how many questions are asked at once, and by what rule they are answered."""
    count = comparison.questions
    if not count:
        return "Beside each other: nothing was measured of two of them under like conditions."
    asked = "1 question" if count == 1 else f"{count} questions at once"
    return (
        f'Beside each other, {asked}: "more than chance" after Holm, wrong in at most 5 of 100 '
        "such pages of equal joints; intervals hold together in 95 of 100 (Bonferroni)."
    )


def difference_rows(comparison: Comparison, labels: Mapping[str, str]) -> Iterator[tuple[str, ...]]:
    """Yield pair, quantity, difference with its interval, and whether it is more than chance."""
    for one in comparison.differences:
        yield (
            f"{labels[one.first]} less {labels[one.second]}",
            one.name.replace("_", " "),
            f"{band_text((one.value, one.low_all, one.high_all))} {unit_words(one.unit)}".rstrip(),
            _chance_text(one),
            f"{', '.join(one.shared)} cancels" if one.shared else "",
        )
    for apart in comparison.apart:
        yield (
            f"{labels[apart.first]} less {labels[apart.second]}",
            apart.name.replace("_", " "),
            "not comparable",
            "",
            "; ".join(
                f"{condition_text(one.key, one.claimed)} against "
                + ("not stated" if one.measured is None else condition_text(one.key, one.measured))
                for one in apart.mismatches
            )
            or "unlike units",
        )


def _chance_text(one: Difference) -> str:
    chance = f"{one.chance_all:.2g}" if one.chance_all >= 0.001 else "under 0.001"
    return f"{'more than chance' if one.is_more_than_chance else 'may be chance'} ({chance})"


def sheet_note_lines(listed: SpecimenList) -> Iterator[str]:
    """Yield what has to be said beside the figures."""
    notes = [*listed.notes, *(note for one in listed.specimens for note in one.notes)]
    for note in dict.fromkeys(notes):
        text = _note_text(note)
        if text:
            yield text


def _note_text(note: Note) -> str:
    if note.kind is NoteKind.TWO_SERIALS:
        return (
            f"{note.subject} is the name of several specimens: {note.detail}. Each has a sheet of "
            "its own."
        )
    if note.kind is NoteKind.SHARED_SERIAL:
        return (
            f"{note.subject} is the serial of several joints of one bench ({note.detail}): what "
            "was found of them is taken as of one specimen. Give each its own in the bench file."
        )
    if note.kind is NoteKind.SEVERAL_CLAIMS:
        return f"{note.subject}: recordings state different claims; those of the newest count."
    if note.kind is NoteKind.BY_NAME:
        return ""
    return note.detail
