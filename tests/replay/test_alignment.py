"""Alignment: event stands on event, and the default is the first of the same limit in both."""

from typing import cast

from hypothesis import given
from hypothesis import strategies as st

from logger.store.layout.events import Event
from replay.alignment import Anchor, Overlay, find_anchors, first_common_alert
from replay.recording import Recording

S = 1_000_000_000
START_NS = 1_795_000_000 * S


def _raised(limit: str, at_s: float, joint: str = "a") -> Anchor:
    return Anchor(kind="raised", offset_ns=round(at_s * S), joint=joint, limit=limit)


def _event(kind: str, at_s: float, **said: str) -> Event:
    return Event(sequence=0, time_ns=START_NS + round(at_s * S), kind=kind, **said)  # type: ignore[arg-type]


ANCHORS = st.lists(
    st.builds(
        Anchor,
        kind=st.sampled_from(["raised", "returned", "note"]),
        offset_ns=st.integers(0, 10**15),
        joint=st.sampled_from(["a", "b"]),
        limit=st.sampled_from(["hot", "strong", "fast"]),
    ),
    max_size=8,
).map(lambda found: sorted(found, key=lambda anchor: anchor.offset_ns))


def test_alerts_notes_and_the_end_are_events():
    """In order of time, counted from the start; what else happened is none, nor is an open end."""
    events = [
        _event("started", 0),
        _event("note", 30, text="fan off"),
        _event("raised", 20, joint="a", limit="hot", text="a: housing at or above 70"),
        _event("gap", 25, joint="a"),
        _event("returned", 40, joint="a", limit="hot"),
        _event("ended", 50),
    ]
    found = find_anchors(events, start_ns=START_NS, end_ns=START_NS + 50 * S)
    assert [(one.kind, one.offset_ns // S, one.text) for one in found] == [
        ("raised", 20, ""),
        ("note", 30, "fan off"),
        ("returned", 40, ""),
        ("ended", 50, ""),
    ]
    assert find_anchors(events, start_ns=START_NS) == found[:-1]
    assert find_anchors([], start_ns=START_NS) == ()


def test_the_first_of_the_same_limit():
    """The earliest that both raised; on the same joint where both did, else by the limit's name."""
    first = [_raised("strong", 1), _raised("hot", 5, "b"), _raised("hot", 6), _raised("hot", 9)]
    second = [_raised("fast", 0), _raised("hot", 2, "c"), _raised("hot", 3), _raised("hot", 4)]
    assert first_common_alert(first, second) == (2, 2)
    assert first_common_alert(first[:2], second) == (1, 1)
    assert first_common_alert(first[:1], second) is None
    assert first_common_alert([], second) is None


@given(ANCHORS, ANCHORS)
def test_what_is_found_is_the_first_of_its_limit_in_both(first: list[Anchor], second: list[Anchor]):
    """Both were raised by one limit, neither has an earlier one; nothing found: nothing shared."""
    pair = first_common_alert(first, second)
    if pair is None:
        limits = [{a.limit for a in found if a.kind == "raised"} for found in (first, second)]
        assert not limits[0] & limits[1]
        return
    here, there = first[pair[0]], second[pair[1]]
    assert here.kind == there.kind == "raised"
    assert here.limit == there.limit
    alike = [a for a in second[: pair[1]] if a.kind == "raised" and a.limit == there.limit]
    assert all(a.joint != here.joint for a in alike)


@given(st.integers(0, 10**15), st.integers(0, 10**15), st.integers(0, 2**61))
def test_event_stands_on_event(here_ns: int, there_ns: int, start_ns: int):
    """Shifted by what lies between them, the second one's event has the first one's place."""

    class Begun:
        def __init__(self) -> None:
            self.start_ns = start_ns

    laid = Overlay(recording=cast("Recording", Begun()), shift_ns=here_ns - there_ns)
    assert laid.zero_ns + here_ns == start_ns + there_ns
    unshifted = Overlay(recording=laid.recording, shift_ns=0)
    assert unshifted.zero_ns == start_ns
