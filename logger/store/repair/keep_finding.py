"""Keeps a finding in a recording: live through the inbox, finished as a note is written.

A finding is written once. What is kept again from the same spans with the same settings replaces
what was there, and says which.
"""

import secrets
import time
from importlib import metadata
from pathlib import Path

from logger.errors import InputError
from logger.findings.finding import Finding, is_repetition
from logger.findings.finding_text import MAX_FINDING_BYTES, finding_text
from logger.store.layout.manifest import read_manifest
from logger.store.layout.request import EventRequest
from logger.store.reading.findings import read_findings
from logger.store.repair.post_request import post_request

__all__ = ["keep_finding"]


def keep_finding(recording: Path, finding: Finding, *, who: str = "") -> Finding:
    """Keep a finding in a recording, and return it as it was kept.

    Id, time and program version are filled in; serial and type are those of the recording's bench
    file where the finding has none. One that stands on the same spans and settings as another of
    the recording replaces it, unless it names another itself.

    Parameters
    ----------
    who
        Who keeps it.

    Raises
    ------
    InputError
        It is no recording, has no such joint, or the finding is too long.
    OutsideFault
        The disk took no more; nothing was kept.
    """
    bench = read_manifest(recording).read_bench(str(recording))
    names = [joint.name for joint in bench.joints]
    if finding.joint not in names:
        raise InputError(
            where=str(recording),
            found=f"a finding of {finding.joint!r}",
            expected=f"one of its joints: {', '.join(names)}",
        )
    joint = bench.joint_named(finding.joint)
    kept = finding.model_copy(
        update={
            "id": secrets.token_hex(16),
            "made_ns": time.time_ns(),
            "program": f"dutytrace {_version()}",
            "who": who or finding.who,
            "serial": finding.serial or joint.serial,
            "type": finding.type or joint.type,
            "replaces": finding.replaces or _same_before(recording, finding),
        }
    )
    text = finding_text(kept)
    if len(text.encode()) > MAX_FINDING_BYTES:
        raise InputError(
            where=f"{recording}: finding",
            found=f"{len(text.encode())} bytes",
            expected=f"at most {MAX_FINDING_BYTES}",
        )
    post_request(
        recording,
        EventRequest(
            kind="finding",
            text=f"{kept.kind} of {bench.label_of(kept.joint)}: "
            f"{'a finding replaces an older one' if kept.replaces else 'a finding was kept'}.",
            who=kept.who,
            joint=kept.joint,
            finding=kept.id,
            content=text,
        ),
    )
    return kept


def _same_before(recording: Path, finding: Finding) -> str | None:
    """Return the id of the current finding that a finding replaces, None where there is none."""
    if not finding.spans:
        return None
    same = [one for one in read_findings(recording).current if is_repetition(one, finding)]
    return same[-1].id if same else None


def _version() -> str:
    try:
        return metadata.version("dutytrace")
    except metadata.PackageNotFoundError:
        return "unknown"
