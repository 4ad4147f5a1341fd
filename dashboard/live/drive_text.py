"""The state and the fault that a joint's drive reports, with their ages, as a card shows them.

Only words are made here; state, fault and their times come from `replay.drive_state`.
"""

from collections.abc import Mapping

from dashboard.live.wire_messages import DriveStatus
from dashboard.text.format import format_duration
from logger.event_kind import EventKind
from replay.drive_state import DriveState, read_drive_state
from replay.recording import Recording

__all__ = ["drive_text"]

_SECOND_NS = 1_000_000_000


def drive_text(
    recording: Recording, joint: str, newest: Mapping[str, tuple[int, float]], now_ns: int
) -> DriveStatus:
    """Return state, fault and their ages; empty for a joint whose drive reports neither.

    `fault` is present while there is one; `calm` says that there is none.
    """
    texts: DriveStatus = {}
    hold_ns = recording.hold_ns(joint)
    state = read_drive_state(recording, joint, EventKind.STATE, newest)
    if state is not None:
        texts["state"] = state.text
        texts["state_age"] = _age_text(state, hold_ns.get("state_code"), now_ns)
    fault = read_drive_state(recording, joint, EventKind.FAULT, newest)
    if fault is not None and fault.is_active:
        texts["fault"] = fault.text
        texts["fault_age"] = _age_text(fault, hold_ns.get("fault_code"), now_ns)
    elif fault is not None:
        texts["calm"] = "no fault"
        if fault.since_ns is not None or _is_stale(fault, hold_ns.get("fault_code"), now_ns):
            texts["fault_age"] = _age_text(fault, hold_ns.get("fault_code"), now_ns)
    return texts


def _is_stale(state: DriveState, hold_ns: int | None, now_ns: int) -> bool:
    return hold_ns is not None and now_ns - state.reported_ns > max(hold_ns, _SECOND_NS)


def _age_text(state: DriveState, hold_ns: int | None, now_ns: int) -> str:
    """Return for how long it has lasted; how old the report is if that is unknown or stale."""
    if state.since_ns is None or _is_stale(state, hold_ns, now_ns):
        return _ago_text(now_ns - state.reported_ns)
    return f"for {_whole_seconds(now_ns - state.since_ns)}"


def _ago_text(age_ns: int) -> str:
    """Return when a report came; what came within the second that is counted came just now."""
    return f"reported {_whole_seconds(age_ns)} ago" if age_ns >= _SECOND_NS else "reported just now"


def _whole_seconds(length_ns: int) -> str:
    return format_duration(float(max(length_ns, 0) // _SECOND_NS))
