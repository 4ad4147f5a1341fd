"""Two recordings from before events had the columns `bus` and `frame`, and how they read then.

`killed`: two buses on serial lines, one of them asked, requests and limits handed over, a bus that
went and came back; its recorder was killed, so that a journal and three requests were left.
`sealed`: two buses, losses, messages of two kinds of frame whose names begin alike, gone on with.
`read_as.json` holds what the recorder and the reader of then made of both.
"""

import json
import tarfile
from pathlib import Path
from typing import Any, Final

from logger.store.repair.recovery import seal
from logger.store.writing.inbox import pending_requests
from replay.bus_events import find_outages, list_bus_events
from replay.drive_state import DriveFact, read_drive_state
from replay.recording import Recording
from replay.statistics import span_statistics

__all__ = ["NAMES", "read_then", "summaries", "unpacked"]

NAMES: Final = ("killed", "sealed")
LATE: Final = "ida"
"""Whose requests the recorder did not live to take."""
_FOLDER: Final = Path(__file__).parent / "recordings_before"
_OF_EVENTS: Final = (
    *("kind", "joint", "limit", "severity", "alert", "channel", "value", "text", "who"),
    "duration_s",
)
_OF_ALERTS: Final = (
    *("number", "limit", "joint", "severity", "channel", "raised_ns", "returned_ns"),
    *("acknowledged_ns", "shelved_until_ns", "peak", "onset_ns", "text"),
)
_KINDS: Final[tuple[DriveFact, ...]] = ("state", "fault")


def unpacked(name: str, folder: Path) -> Path:
    """Return a copy of a recording of before, with the times of its files."""
    with tarfile.open(_FOLDER / f"{name}.tar.gz") as archive:
        archive.extractall(folder, filter="data")
    return folder / name


def read_then(name: str) -> dict[str, Any]:
    """Return the summaries of then: "as it lies" and "sealed"."""
    held: dict[str, dict[str, Any]] = json.loads((_FOLDER / "read_as.json").read_text("utf-8"))
    return held[name]


def summary(path: Path) -> dict[str, Any]:
    """Return what a reader makes of a recording: events, alerts, buses, drives and figures."""
    recording = Recording.open(path)
    events = recording.read_events()
    end_ns = recording.end_ns
    return {
        # A request that sealing makes an event of has the time at which that was done.
        "events": [[None if e.who == LATE else e.time_ns, *_plain(e, _OF_EVENTS)] for e in events],
        "alerts": [
            [*_plain(alert, _OF_ALERTS), str(alert.state_at(end_ns))]
            for alert in recording.read_alerts()
        ],
        "happenings": [[h.time_ns, str(h.kind), h.bus, h.text] for h in list_bus_events(recording)],
        "aways": [[a.bus, a.start_ns, a.end_ns, a.text] for a in find_outages(recording)],
        "drives": {
            f"{joint} {kind}": None if said is None else [said.text, said.is_active, said.since_ns]
            for joint in recording.joints
            for kind in _KINDS
            for said in [read_drive_state(recording, joint, kind, {})]
        },
        "figures": {
            f"{joint} {channel}": _numbers(
                span_statistics(recording, joint, channel, recording.start_ns, end_ns)
            )
            for joint in recording.joints
            for channel in recording.channels(joint)
        },
        "limits": [[since_ns, limits.text] for since_ns, limits in recording.limit_sets],
        "frames": recording.row_count("frames"),
        "span": [recording.start_ns, end_ns],
        "requests": [
            [one.request.kind, any(map(one.matches_event, events))]
            for one in pending_requests(path)
        ],
    }


def summaries(path: Path) -> dict[str, Any]:
    """Return how a recording reads as it lies, and once it is sealed; it is afterwards."""
    found = {"as it lies": summary(path)}
    seal(path)
    return {**found, "sealed": summary(path)}


def _plain(held: object, names: tuple[str, ...]) -> list[object]:
    values = [getattr(held, name) for name in names]
    return [_number(value) if isinstance(value, float) else value for value in values]


def _numbers(found: object) -> list[float | None]:
    values = [getattr(found, name) for name in found.__slots__]  # type: ignore[attr-defined]
    return [_number(float(value)) for value in values if isinstance(value, int | float)]


def _number(value: float) -> float | None:
    """Return what JSON can hold: nine digits, and None for NaN."""
    return None if value != value else float(f"{value:.9g}")  # noqa: PLR0124
