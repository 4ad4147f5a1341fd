"""Findings for tests, and a small recording to keep them in."""

from pathlib import Path
from typing import Any

import numpy as np

from logger.findings.finding import Finding, FindingSpan, Method, UncertaintyPart
from logger.findings.uncertainty import quantity_from_parts
from replay.recording import Recording
from tests.support.heat_recordings import START_NS, record_channels

S = 1_000_000_000


def small_recording(
    path: Path, *, seconds: int = 20, settings: str = "", start_ns: int = START_NS
) -> Recording:
    """Return a finished recording of the joint `a`, whose current is 2 A, ten rows a second."""
    time_ns = start_ns + np.arange(0, seconds * S, S // 10)
    return record_channels(
        path, time_ns, {"current_A": np.full(len(time_ns), 2.0)}, settings=settings
    )


def play_finding(recording: Recording | None = None, value: float = 10.0, **fields: Any) -> Finding:
    """Return a finding of backlash: five readings of scatter 0.5, an arm of 0.1, in arcmin."""
    parts = (
        UncertaintyPart(source="repeatability", contribution=0.5, degrees_of_freedom=4.0),
        UncertaintyPart(source="arm 344 mm", contribution=0.1, shared=True),
    )
    spans = (
        ()
        if recording is None
        else (
            FindingSpan(
                recording_id=recording.manifest.recording_id,
                recording=recording.path.name,
                from_ns=recording.start_ns + 2 * S,
                to_ns=recording.start_ns + 8 * S,
            ),
        )
    )
    return Finding(
        **{
            "kind": "backlash",
            "joint": "a",
            "quantities": (quantity_from_parts("backlash", value, "'", parts),),
            "method": Method(name="play at an arm's tip"),
            "spans": spans,
            **fields,
        }
    )
