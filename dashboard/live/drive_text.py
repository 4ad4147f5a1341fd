"""What a joint's drive says of itself, as a card shows it: state and fault, each with its age.

Words only; what is said and since when is `replay.drive_state`'.
"""

from collections.abc import Mapping

from dashboard.text.theme import span_words
from replay.drive_state import Said, told_by
from replay.recording import Recording

__all__ = ["drive_words"]


def drive_words(
    recording: Recording, joint: str, newest: Mapping[str, tuple[int, float]], now_ns: int
) -> dict[str, str]:
    """Return state, fault and their ages; empty for a joint whose drive says nothing of itself.

    `fault` is there while one stands; `calm` says that there is none.
    """
    words: dict[str, str] = {}
    hold_ns = recording.hold_ns(joint)
    state = told_by(recording, joint, "state", newest)
    if state is not None:
        words["state"] = state.words
        words["state_age"] = _age(state, hold_ns.get("state_code"), now_ns)
    fault = told_by(recording, joint, "fault", newest)
    if fault is not None and fault.stands:
        words["fault"] = fault.words
        words["fault_age"] = _age(fault, hold_ns.get("fault_code"), now_ns)
    elif fault is not None:
        words["calm"] = "no fault"
        if fault.since_ns is not None or _old(fault, hold_ns.get("fault_code"), now_ns):
            words["fault_age"] = _age(fault, hold_ns.get("fault_code"), now_ns)
    return words


def _old(said: Said, hold_ns: int | None, now_ns: int) -> bool:
    return hold_ns is not None and now_ns - said.told_ns > max(hold_ns, 1_000_000_000)


def _age(said: Said, hold_ns: int | None, now_ns: int) -> str:
    """Return for how long it has stood; how old it is where nothing tells that, or it is old."""
    if said.since_ns is None or _old(said, hold_ns, now_ns):
        return f"told {_whole(now_ns - said.told_ns)} ago"
    return f"for {_whole(now_ns - said.since_ns)}"


def _whole(length_ns: int) -> str:
    return span_words(float(max(length_ns, 0) // 1_000_000_000))
