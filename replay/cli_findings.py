"""`dutytrace findings`: what evaluations found out, as it was kept in a recording."""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.cli.options import AnyRecording, AsJson
from logger.cli.terminal import Line, Table, show

if TYPE_CHECKING:
    from logger.findings.finding import Finding
    from logger.store.reading.findings import StoredFindings

__all__ = ["list_findings"]

_ID_SHOWN = 8


def list_findings(
    recording: AnyRecording,
    every: Annotated[
        bool, typer.Option("--all", help="Also those that a later one replaces.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List the findings of a recording: results that were kept, with their uncertainty."""
    from logger.store.layout.remote import location_of
    from replay.recording import Recording as Opened

    opened = Opened.open(location_of(recording))
    stored = opened.read_findings()
    show(_to_json(stored), _lines(stored, opened.bench.labels, every=every), as_json=as_json)


def _to_json(stored: "StoredFindings") -> dict[str, Any]:
    from logger.store.layout.manifest import iso_utc

    current = {one.id for one in stored.current}
    return {
        "findings": [
            {
                **one.model_dump(mode="json", exclude={"format"}),
                "made": iso_utc(one.made_ns),
                "replaced": one.id not in current,
            }
            for one in stored.findings
        ],
        "unread": [
            {"id": one.id, "reason": one.reason.value, "text": one.sentence}
            for one in stored.unread
        ],
    }


def _lines(stored: "StoredFindings", labels: Mapping[str, str], *, every: bool) -> Iterator[Line]:
    current = stored.current
    shown = stored.findings if every else current
    if not stored.findings and not stored.unread:
        yield "No findings: `dutytrace heat REC --keep` keeps one."
        return
    yield Table(
        ("made (UTC)", "joint", "finding", "quantity", "value (95 %)", "unit", "id"),
        [row for one in shown for row in _rows(one, labels.get(one.joint, one.joint))],
    )
    hidden = len(stored.findings) - len(current)
    if hidden and not every:
        yield f"{hidden} that a later one replaces: --all."
    for one in stored.unread:
        yield one.sentence


def _rows(finding: "Finding", label: str) -> Iterator[tuple[str, ...]]:
    from logger.store.layout.manifest import iso_utc
    from replay.heat.text import band_text
    from replay.sheet.words import conditions_text, unit_words

    for at, quantity in enumerate(finding.quantities):
        stated = conditions_text(quantity.conditions)
        first = at == 0
        yield (
            iso_utc(finding.made_ns)[:16].replace("T", " ") if first else "",
            label if first else "",
            finding.kind if first else "",
            f"{quantity.name} ({stated})" if stated else quantity.name,
            band_text((quantity.value, quantity.low, quantity.high)),
            unit_words(quantity.unit),
            finding.id[:_ID_SHOWN] if first else "",
        )
