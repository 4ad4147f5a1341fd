"""The findings that stand on a recording, as Replay lists those of the span in view. Pure."""

from collections.abc import Iterable, Iterator
from typing import Any, Final

from dashboard.text.format import format_elapsed
from logger.findings.finding import Finding, FindingSpan, FoundQuantity
from logger.store.layout.manifest import Manifest
from replay.heat.text import band_text
from replay.recording import Recording
from replay.sheet.words import conditions_text, unit_words

__all__ = ["finding_rows"]

_MOST_SHOWN: Final = 3
"""Quantities of a finding that its row names; the data sheet has them all."""
_MOST_ROWS: Final = 500


def finding_rows(recording: Recording) -> list[dict[str, Any]]:
    """Return a row for each span of a current finding that lies in a recording, in order of time.

    `from_s` and `to_s` are in s since the start, within the recording.
    """
    rows = sorted(
        _rows_of(recording, recording.read_findings().current),
        key=lambda row: (row["from_s"], row["to_s"]),
    )
    return rows[:_MOST_ROWS]


def _rows_of(recording: Recording, findings: Iterable[Finding]) -> Iterator[dict[str, Any]]:
    start_ns, end_ns = recording.start_ns, recording.end_ns
    labels = recording.bench.labels
    for finding in findings:
        label = labels.get(finding.joint, finding.joint)
        for span in finding.spans:
            if not _is_of(span, recording.manifest):
                continue
            begin, until = max(span.from_ns, start_ns), min(span.to_ns, end_ns)
            if begin > until or (begin == until and span.from_ns < span.to_ns):
                continue
            from_s, to_s = ((at - start_ns) / 1e9 for at in (begin, until))
            yield {
                "title": f"{finding.kind.replace('_', ' ')} of {label}",
                "text": _quantities_text(finding.quantities),
                "from_s": from_s,
                "to_s": to_s,
                "at": f"{format_elapsed(from_s)} to {format_elapsed(to_s)}",
            }


def _is_of(span: FindingSpan, manifest: Manifest) -> bool:
    """Return whether a span is of a recording; in a cut the rows are the same, its id is not."""
    return bool(manifest.cut_from) or span.recording_id in {"", manifest.recording_id}


def _quantities_text(quantities: tuple[FoundQuantity, ...]) -> str:
    shown = [_quantity_text(one) for one in quantities[:_MOST_SHOWN]]
    if len(quantities) > _MOST_SHOWN:
        shown.append(f"{len(quantities) - _MOST_SHOWN} more")
    return "; ".join(shown)


def _quantity_text(one: FoundQuantity) -> str:
    stated = conditions_text(one.conditions)
    name = one.name.replace("_", " ")
    value = f"{band_text((one.value, one.low, one.high))} {unit_words(one.unit)}".rstrip()
    return f"{name} {value}, {stated}" if stated else f"{name} {value}"
