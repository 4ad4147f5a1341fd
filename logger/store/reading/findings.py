"""The findings of a recording, and those that are there and cannot be read."""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import InputError, OutsideFault
from logger.findings.finding import Finding, current_findings
from logger.findings.finding_text import (
    MAX_FINDING_BYTES,
    FindingFault,
    UnreadReason,
    finding_from,
)
from logger.outside_text import read_regular
from logger.store.layout.files import FINDINGS_FOLDER
from logger.store.layout.remote import Location
from logger.store.writing.finding_files import FINDING_SUFFIX

__all__ = [
    "StoredFindings",
    "UnreadFinding",
    "all_finding_files",
    "findings_of_span",
    "read_findings",
]

_ID_DIGITS: Final = frozenset("0123456789abcdef")
_ID_LENGTH: Final = 32
MOST_FINDINGS: Final = 10_000
"""Of one recording that are read: a person keeps dozens, a campaign some thousand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreadFinding:
    """A finding that is kept and not read."""

    id: str
    reason: UnreadReason
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFindings:
    """What is in the findings folder of a recording."""

    findings: tuple[Finding, ...]
    """All that can be read, replaced ones too, in order of when they were made."""
    unread: tuple[UnreadFinding, ...]

    @property
    def current(self) -> tuple[Finding, ...]:
        """Those that none replaces."""
        return current_findings(self.findings)


def read_findings(recording: Location) -> StoredFindings:
    """Return the findings of a recording, live or finished; never writes.

    Raises
    ------
    OutsideFault
        The store at an address cannot be reached.
    """
    findings: list[Finding] = []
    unread: list[UnreadFinding] = []
    for path, finding_id in _finding_files(recording):
        try:
            findings.append(_finding_in(path, finding_id))
        except FindingFault as fault:
            unread.append(UnreadFinding(id=finding_id, reason=fault.reason, sentence=str(fault)))
    findings.sort(key=lambda one: (one.made_ns, one.id))
    return StoredFindings(findings=tuple(findings), unread=tuple(unread))


def findings_of_span(recording: Location, from_ns: int, to_ns: int) -> Iterator[tuple[str, bytes]]:
    """Yield id and bytes of each finding that a cut of [from_ns, to_ns) takes along.

    Those that stand on anything of the span, or on no span at all; whatever replaces one of these,
    or was replaced by it; and what cannot be read here, which a newer program may understand.
    """
    stored = read_findings(recording)
    wanted = {one.id for one in stored.findings if not one.spans or one.overlaps(from_ns, to_ns)}
    # In order of when they were made: what replaces comes after what is replaced.
    for finding in stored.findings:
        if finding.replaces in wanted:
            wanted.add(finding.id)
    for finding in reversed(stored.findings):
        if finding.id in wanted and finding.replaces is not None:
            wanted.add(finding.replaces)
    wanted |= {one.id for one in stored.unread}
    yield from (one for one in all_finding_files(recording) if one[0] in wanted)


def all_finding_files(recording: Location) -> Iterator[tuple[str, bytes]]:
    """Yield id and bytes of every finding, as far as its file can be read."""
    for path, finding_id in _finding_files(recording):
        with contextlib.suppress(FindingFault):
            yield finding_id, _content(path)


def _finding_in(path: Location, finding_id: str) -> Finding:
    """Return the finding of a file; raises FindingFault where it cannot be read."""
    finding = finding_from(_content(path), str(path))
    if finding.id != finding_id:
        raise FindingFault(
            f"{path}: id: found {finding.id!r}, expected the name of its file. It is kept, and not "
            "read.",
            reason=UnreadReason.DAMAGED,
        )
    return finding


def _finding_files(recording: Location) -> list[tuple[Location, str]]:
    """Return each file of the folder and the id that names it, in order; strange names left out."""
    folder: Location = recording / FINDINGS_FOLDER
    paths: list[Location] = []
    try:
        if folder.is_dir():
            paths = sorted(folder.iterdir(), key=str)
    except OutsideFault:
        raise
    except OSError:
        paths = []
    return [
        (path, path.stem)
        for path in paths
        if path.suffix == FINDING_SUFFIX
        and len(path.stem) == _ID_LENGTH
        and set(path.stem) <= _ID_DIGITS
    ][:MOST_FINDINGS]


def _content(path: Location) -> bytes:
    """Return the bytes of a finding's file; raises FindingFault where it cannot be read."""
    try:
        if isinstance(path, Path):
            return read_regular(path, max_bytes=MAX_FINDING_BYTES)
        if path.size <= MAX_FINDING_BYTES:
            return path.read_ranges([(0, path.size)])[0]
    except (InputError, OutsideFault):
        # A store that does not answer is never taken for a damaged finding.
        raise
    except OSError as fault:
        raise FindingFault(
            f"{path}: cannot be read ({fault.strerror or fault}).", reason=UnreadReason.DAMAGED
        ) from None
    raise FindingFault(
        f"{path}: found {path.size} bytes, expected at most {MAX_FINDING_BYTES}.",
        reason=UnreadReason.DAMAGED,
    )
