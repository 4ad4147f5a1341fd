"""A finding as JSON and back. Carries a format number and a checksum of its content.

One flipped byte would be another result in a file that reads as before: such a finding is told and
not read. One of a newer format is kept and told, and not read either.
"""

import json
import zlib
from enum import StrEnum
from typing import Any, Final

from pydantic import ValidationError

from logger.errors import InputError
from logger.findings.finding import FINDING_FORMAT, Finding
from logger.outside_text import parse_json

__all__ = ["MAX_FINDING_BYTES", "FindingFault", "UnreadReason", "finding_from", "finding_text"]

MAX_FINDING_BYTES: Final = 200_000
_CHECKSUM_KEY: Final = "crc32"


class UnreadReason(StrEnum):
    """Why a finding that is there is not read."""

    NEWER = "newer"
    DAMAGED = "damaged"


class FindingFault(InputError):
    """Raised for a text that is no finding of this format."""

    def __init__(self, problem: str, *, reason: UnreadReason) -> None:
        self.reason = reason
        super().__init__(problem)


def finding_text(finding: Finding) -> str:
    """Return the JSON text of a finding, as it is kept."""
    content = finding.model_dump(mode="json")
    if finding.heat_model is None:
        # As a program that knows no models writes and reads it.
        del content["heat_model"]
    content[_CHECKSUM_KEY] = _checksum(content)
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def finding_from(text: str | bytes, where: str) -> Finding:
    """Return the finding of a JSON text; `where` names it in errors.

    Raises
    ------
    FindingFault
        It is of a newer format, or is not what was written; its `reason` says which.
    """
    try:
        content = parse_json(text, where, max_bytes=MAX_FINDING_BYTES)
    except InputError as fault:
        raise FindingFault(f"{fault} It is not read.", reason=UnreadReason.DAMAGED) from None
    if not isinstance(content, dict):
        content = {}
    written = content.get("format")
    if isinstance(written, int) and written > FINDING_FORMAT:
        raise FindingFault(
            f"{where}: format: found {written}, expected {FINDING_FORMAT}. A newer dutytrace made "
            "this finding: it is kept, and not read here.",
            reason=UnreadReason.NEWER,
        )
    checksum = content.pop(_CHECKSUM_KEY, None)
    if checksum != _checksum(content):
        raise FindingFault(
            f"{where}: this finding is not what was written: its checksum differs. It is kept, and "
            "not read.",
            reason=UnreadReason.DAMAGED,
        )
    try:
        return Finding.model_validate(content)
    except ValidationError as fault:
        first = fault.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise FindingFault(
            f"{where}: {key}: {first['msg']}. It is kept, and not read.",
            reason=UnreadReason.DAMAGED,
        ) from None


def _checksum(content: dict[str, Any]) -> str:
    """Return the CRC-32 of the content in one agreed form, whatever the file's blanks and order."""
    canonical = json.dumps(content, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    return f"{zlib.crc32(canonical.encode('ascii')):08x}"
