"""What a report rests on: findings, spans and methods, assumptions, versions, digests. Pure."""

from collections import Counter
from collections.abc import Iterator
from typing import Final

from logger.findings.finding import Finding, Scalar, TypedValue
from replay.duty.words import assumption_lines, caution_lines
from replay.heat.text import band_text
from replay.report.blocks import bullets, definitions, table
from replay.report.digest import DIGEST_COMMAND
from replay.report.evidence import RecordingEvidence, ReportEvidence
from replay.report.markup import Markup, element, joined
from replay.report.specimen_page import typed_text
from replay.report.texts import counted, instant_text, with_minus
from replay.sheet.words import conditions_text, sheet_note_lines, unit_words

__all__ = ["basis_section", "findings_section"]

_MOST_FINDINGS: Final = 100
_MOST_SPANS: Final = 12


def findings_section(evidence: ReportEvidence) -> Markup:
    """Return every current finding of the recordings, the newest where there are very many."""
    found = [
        (recording, finding) for recording in evidence.recordings for finding in recording.findings
    ]
    unread = [one for recording in evidence.recordings for one in recording.unread]
    if not found and not unread:
        return Markup("")
    found.sort(key=lambda one: one[1].made_ns)
    hidden = len(found) - _MOST_FINDINGS
    return element(
        "section",
        element("h2", "Findings", id="findings"),
        element("p", f"The newest {_MOST_FINDINGS} of {len(found)}.") if hidden > 0 else "",
        *(_finding(recording, one) for recording, one in found[-_MOST_FINDINGS:]),
        element("h3", "Kept, and not read") if unread else "",
        bullets(one.sentence for one in unread),
        class_="page",
        aria_labelledby="findings",
    )


def _finding(recording: RecordingEvidence, finding: Finding) -> Markup:
    labels = {joint.settings.name: joint.label for joint in recording.joints}
    label = labels.get(finding.joint, finding.joint)
    return joined(
        element("h3", f"{finding.kind.replace('_', ' ').capitalize()} of {label}"),
        table(
            ("quantity", "value (95 %)", "unit", "interval by"),
            (
                (
                    f"{one.name.replace('_', ' ')} ({stated})"
                    if (stated := conditions_text(one.conditions))
                    else one.name.replace("_", " "),
                    with_minus(band_text((one.value, one.low, one.high))),
                    unit_words(one.unit),
                    one.interval_by.value,
                )
                for one in finding.quantities
            ),
        ),
        definitions(_rests_on(recording, finding)),
    )


def _rests_on(recording: RecordingEvidence, finding: Finding) -> Iterator[tuple[str, str]]:
    source = f" ({finding.method.source})" if finding.method.source else ""
    yield "method", f"{finding.method.name}{source}"
    spans = [
        f"{span.recording}, {instant_text(span.from_ns)} to {instant_text(span.to_ns)}"
        for span in finding.spans[:_MOST_SPANS]
    ]
    if len(finding.spans) > _MOST_SPANS:
        spans.append(f"{len(finding.spans) - _MOST_SPANS} more")
    yield "stands on", "; ".join(spans) or "no span: it was typed in"
    times = Counter(_typed_words(one) for one in finding.typed)
    yield (
        "typed in",
        "; ".join(
            text if count == 1 else f"{text}, {count} times" for text, count in times.items()
        ),
    )
    yield (
        "settings",
        "; ".join(
            f"{name.replace('_', ' ')}: {_scalar(value)}"
            for name, value in finding.settings.items()
            if value != ""
        ),
    )
    by = f" by {finding.who}" if finding.who else ""
    yield (
        "kept",
        f"{instant_text(finding.made_ns)} UTC{by}, {finding.program}, in {recording.folder}",
    )
    yield "id", finding.id


def _typed_words(one: TypedValue) -> str:
    if one.standard_uncertainty is None:
        return typed_text(one)
    unsure = f"{one.standard_uncertainty:.2g} {one.unit}".rstrip()
    return f"{typed_text(one)} (standard uncertainty {unsure})"


def _scalar(value: Scalar) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def basis_section(evidence: ReportEvidence) -> Markup:
    """Return what was assumed, what has to be known before acting, versions and digests."""
    loads = [
        joint.duty
        for recording in evidence.recordings
        for joint in recording.joints
        if joint.duty is not None
    ]
    assumed = [line for load in loads for line in assumption_lines(load)]
    unnamed = [one.specimen.label for one in evidence.sheets if not one.specimen.serial]
    if unnamed:
        assumed.append(
            f"No serial is given of {', '.join(unnamed)}: recordings with that joint's name are "
            "taken to be of one specimen."
        )
    cautions = [line for load in loads for line in caution_lines(load)]
    return element(
        "section",
        element("h2", "What this rests on", id="basis"),
        element("h3", "Assumed"),
        bullets(dict.fromkeys(assumed)),
        element("h3", "Before acting on a figure"),
        bullets(
            dict.fromkeys(
                [
                    *cautions,
                    *sheet_note_lines(evidence.listed),
                    "Nothing here is a safety function.",
                ]
            )
        ),
        element("h3", "Versions"),
        definitions(_versions(evidence)),
        element("h3", "Digests of the recordings"),
        *(_digest(recording) for recording in evidence.recordings),
        element(
            "p",
            "SHA-256 over frames and readings; notes and findings, which come later, are not in "
            "it. Within the folder of a recording this prints the same: ",
            element("code", DIGEST_COMMAND),
            class_="small",
        ),
        aria_labelledby="basis",
    )


def _versions(evidence: ReportEvidence) -> Iterator[tuple[str, str]]:
    yield "this report", f"{evidence.program}, {instant_text(evidence.made_ns)} UTC"
    for recording in evidence.recordings:
        written = ", ".join(f"{name} {version}" for name, version in recording.written_by.items())
        yield recording.name, f"recorded by {written}" if written else "not stated"


def _digest(recording: RecordingEvidence) -> Markup:
    digest = recording.digest
    if digest is None:
        why = "it is still being recorded" if recording.is_live else "it lies at an address"
        words = f"not made, since {why}"
    else:
        words = f"{digest.sha256} over {counted(digest.files, 'part')}, {digest.size / 1e6:,.1f} MB"
    ident = f"; id {recording.recording_id}" if recording.recording_id else ""
    return element(
        "p", recording.folder, element("br"), element("span", f"{words}{ident}", class_="id")
    )
