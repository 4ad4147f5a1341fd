"""What a report begins with: what was tested, what holds, what does not, what was not tested. Pure.

Of one specimen its page of verdicts stands here; of several a table of them all, then a page each.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from replay.duty.sentence import duty_sentence
from replay.report.blocks import bullets, heading, table, verdict_mark
from replay.report.evidence import RecordingEvidence, ReportEvidence
from replay.report.markup import Markup, element, joined
from replay.report.recording_page import limits_text, lost_text
from replay.report.specimen_page import (
    DECISION_RULE,
    shortfall_lines,
    specimen_answer,
    specimen_section,
    untested_lines,
    verdict_cell,
    who_text,
)
from replay.report.texts import counted, day_text, instant_text, length_text, list_text
from replay.sheet.sheet import Sheet, SheetRow
from replay.sheet.verdict import Verdict
from replay.sheet.words import claim_text, measured_text, reason_text, torque_text

__all__ = ["front_page", "report_title"]

_MOST_LABELS: Final = 4
_MOST_TRIPS: Final = 6
_MOST_LOADS: Final = 8
_MOST_KINDS: Final = 12
_VERDICT_ORDER: Final = (
    Verdict.CONFIRMED,
    Verdict.FALLS_SHORT,
    Verdict.NOT_PROVEN,
    Verdict.NOT_COMPARABLE,
)
_WORDS_OF_KIND: Final = {
    "heat": "heating under load",
    "turns": "gear ratio by counted turns",
    "ceiling": "the most torque, current and speed that the drive gave",
    "oscillation": "swinging after a push",
    "torque": "torque per ampere at a scale",
    "free": "friction when turned by hand",
    "motion": "load of a motion that repeats",
    "value": "values read off",
}
"""Kind of a finding -> what was measured, for who was not there; others: by their name."""


def report_title(evidence: ReportEvidence) -> str:
    """Return what a report is of: the labels of its joints, or how many there are."""
    labels = _names(evidence.sheets)
    if len(labels) > _MOST_LABELS:
        return f"{len(labels)} joints"
    return list_text(labels)[:1].upper() + list_text(labels)[1:] if labels else "No joint"


def front_page(evidence: ReportEvidence) -> Markup:
    """Return the first page, and with several specimens those of each."""
    sheets = evidence.sheets
    alone = sheets[0] if len(sheets) == 1 else None
    header = element(
        "header",
        element(
            "div",
            element("h1", report_title(evidence)),
            element("span", who_text(alone) if alone else counted(len(sheets), "joint")),
        ),
        element(
            "div",
            element("div", "Test report", class_="kind"),
            element("div", day_text(evidence.made_ns)),
            class_="end",
        ),
    )
    claimed = [sheet for sheet in sheets if any(row.claim for row in sheet.rows)]
    others = [
        name for name, sheet in zip(_names(sheets), sheets, strict=True) if sheet not in claimed
    ]
    tested = joined(
        heading("What was tested", level=2),
        bullets([*_tested_lines(evidence), *_measured_lines(evidence), *_trip_lines(evidence)]),
    )
    cautions = _front_cautions(evidence)
    loads = [*_load_lines(evidence)]
    carried = joined(heading("What it carried", level=2), bullets(loads)) if loads else Markup("")
    if alone is not None:
        if claimed:
            page = specimen_section(evidence, alone, joined(tested, carried), level=2)
            return joined(header, cautions, specimen_answer(alone), page)
        untested = joined(heading("Not tested", level=2), bullets(untested_lines(alone)))
        return joined(
            header,
            cautions,
            specimen_answer(alone),
            tested,
            carried,
            # With rows it stands beside their notes.
            "" if alone.rows else untested,
            specimen_section(evidence, alone, level=2),
        )
    names = dict(zip((sheet.specimen.key for sheet in sheets), _names(sheets), strict=True))
    nothing = (
        element(
            "p",
            f"Nothing is claimed of {list_text(others)}, so nothing is judged of "
            f"{'it' if len(others) == 1 else 'them'}; what was recorded and measured stands "
            "below.",
            class_="answer",
        )
        if others
        else ""
    )
    short = [
        _capitalised(line)
        for sheet in claimed
        for line in shortfall_lines(sheet, names[sheet.specimen.key])
    ]
    return joined(
        header,
        cautions,
        *(specimen_answer(sheet, name=names[sheet.specimen.key]) for sheet in claimed),
        nothing,
        tested,
        _verdicts(claimed),
        joined(heading("What falls short, and why", level=2), bullets(short)) if short else "",
        carried,
        heading("Not tested", level=2),
        bullets(_all_untested(sheets)),
        *(
            _specimen_page(evidence, sheet, names[sheet.specimen.key], number=number)
            for number, sheet in enumerate(sheets, start=1)
        ),
    )


def _front_cautions(evidence: ReportEvidence) -> Markup:
    """Return that joints are simulated or torques off, first of all; nothing where none is."""
    names = [
        one.name if one.name == one.folder else f"{one.name} ({one.folder})"
        for one in evidence.recordings
        if one.is_simulated
    ]
    lines = [*_off_torques(evidence)]
    if names:
        words = "simulated, not measured. No figure from it is of a real joint."
        lines.insert(0, f"{list_text(names)}: {words}")
    if not lines:
        return Markup("")
    return element("div", *(element("p", line) for line in lines), class_="caution")


def _off_torques(evidence: ReportEvidence) -> Iterator[str]:
    """Yield the joints whose recorded torques are off, since their torque per ampere is."""
    for name, sheet in zip(_names(evidence.sheets), evidence.sheets, strict=True):
        found = sheet.per_ampere
        stored = dict.fromkeys(
            joint.torque_constant
            for recording in evidence.recordings
            for joint in recording.joints
            if (joint.settings.serial or joint.settings.name) == sheet.specimen.key
        )
        for constant in stored:
            if constant is None or found is None or found.low <= constant <= found.high:
                continue
            off = 100.0 * (constant / found.value - 1.0)
            yield (
                f"{_capitalised(name)}: torque was recorded as current times {constant:.4g} N·m/A, "
                f"and {found.value:.4g} was measured. Claims are judged by what was measured; "
                f"loads and traces stand as they were recorded, {abs(off):.2g} % too "
                f"{'high' if off > 0.0 else 'low'}."
            )


def _names(sheets: Sequence[Sheet]) -> list[str]:
    """Return what specimens are called: their labels, with serials where labels are alike."""
    labels = [sheet.specimen.label for sheet in sheets]
    return [
        f"{label} {sheet.specimen.serial}".rstrip() if labels.count(label) > 1 else label
        for label, sheet in zip(labels, sheets, strict=True)
    ]


def _specimen_page(evidence: ReportEvidence, sheet: Sheet, name: str, *, number: int) -> Markup:
    has_rows = bool(sheet.rows)
    return element(
        "section",
        element("h2", _capitalised(name), id=f"specimen-{number}"),
        element("p", who_text(sheet)),
        specimen_answer(sheet) if has_rows else "",
        specimen_section(evidence, sheet),
        aria_labelledby=f"specimen-{number}",
        **({"class_": "page"} if has_rows else {}),
    )


def _tested_lines(evidence: ReportEvidence) -> Iterator[str]:
    for recording in evidence.recordings:
        length = length_text((recording.end_ns - recording.start_ns) / 1e9)
        joints = list_text([one.label for one in recording.joints if not one.is_sensor])
        simulated = " (simulated joints)" if recording.is_simulated else ""
        yield (
            f"{recording.name}{simulated}: {joints or 'no joint of these'}, {length} on "
            f"{day_text(recording.start_ns)}; {lost_text(recording)}; {limits_text(recording)}."
        )


def _measured_lines(evidence: ReportEvidence) -> Iterator[str]:
    """Yield what of each specimen was measured: the kinds of its findings."""
    for name, sheet in zip(_names(evidence.sheets), evidence.sheets, strict=True):
        kinds = dict.fromkeys(
            _WORDS_OF_KIND.get(found.finding.kind, found.finding.kind.replace("_", " "))
            for found in sheet.specimen.quantities
        )
        shown = list(kinds)[:_MOST_KINDS]
        if len(kinds) > len(shown):
            shown.append(f"{len(kinds) - len(shown)} more")
        if shown:
            yield f"Measured of {name}: {'; '.join(shown)}."


def _trip_lines(evidence: ReportEvidence) -> Iterator[str]:
    trips = [
        (recording, one)
        for recording in evidence.recordings
        for one in recording.excursions
        if one.severity == "trip"
    ]
    for recording, one in trips[:_MOST_TRIPS]:
        yield (
            f"Trip of {_label(recording, one.joint)}: {one.limit}, {one.peak_text} at the most, "
            f"for {length_text(one.duration_s)} from {instant_text(one.start_ns)} UTC."
        )
    if len(trips) > _MOST_TRIPS:
        yield f"{counted(len(trips) - _MOST_TRIPS, 'trip')} more."


def _label(recording: RecordingEvidence, joint: str) -> str:
    return next((one.label for one in recording.joints if one.settings.name == joint), joint)


def _load_lines(evidence: ReportEvidence) -> Iterator[str]:
    several = len(evidence.recordings) > 1
    loads = [
        (recording, joint.duty)
        for recording in evidence.recordings
        for joint in recording.joints
        if joint.duty is not None
    ]
    for recording, duty in loads[:_MOST_LOADS]:
        yield f"{recording.name}: {duty_sentence(duty)}" if several else duty_sentence(duty)
    if len(loads) > _MOST_LOADS:
        yield f"{len(loads) - _MOST_LOADS} more: see each recording."


def _verdicts(sheets: Sequence[Sheet]) -> Markup:
    """Return each claim of each specimen: claimed, measured with interval, verdict and why.

    What was not measured stands below, among what was not tested.
    """
    rows: list[tuple[str, ...]] = [
        (
            f"{sheet.specimen.label} {sheet.specimen.serial}".rstrip(),
            row.label,
            claim_text(row.claim),
            measured_text(row) or "–",
            joined(verdict_mark(row.verdict), verdict_cell(row)),
            _verdict_note(row),
        )
        for sheet in sheets
        for verdict in _VERDICT_ORDER
        for row in sheet.rows
        if row.claim is not None and row.verdict is verdict
    ]
    heads: tuple[str, ...] = ("joint", "claim", "claimed", "measured (95 %)", "verdict", "note")
    if not any(row[-1] for row in rows):
        heads, rows = heads[:-1], [row[:-1] for row in rows]
    if not rows:
        return Markup("")
    return joined(
        heading("What holds, and what does not", level=2),
        table(heads, rows, class_="verdicts"),
        element("p", DECISION_RULE, class_="small"),
    )


def _verdict_note(row: SheetRow) -> str:
    """Return what keeps a claim from being judged, or on what its torque stands."""
    if row.verdict is Verdict.FALLS_SHORT:
        return ""  # said in full below the table
    return reason_text(row) if row.verdict is Verdict.NOT_COMPARABLE else torque_text(row)


def _all_untested(sheets: Sequence[Sheet]) -> Iterator[str]:
    """Yield what was not tested of each; said once where it is the same of all."""
    lines = [[*untested_lines(sheet)] for sheet in sheets]
    shared = [line for line in lines[0] if all(line in other for other in lines)] if lines else []
    for name, own in zip(_names(sheets), lines, strict=True):
        for line in own:
            if line not in shared:
                yield f"{_capitalised(name)}: {line[:1].lower()}{line[1:]}"
    yield from shared


def _capitalised(text: str) -> str:
    return text[:1].upper() + text[1:]
