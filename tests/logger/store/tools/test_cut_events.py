"""What a cut says: every alert in the state that it had."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from logger.limits.lifecycle import alerts_from_events
from logger.store.layout.events import Event
from logger.store.layout.manifest import CutFrom
from logger.store.tools.cut_events import events_for_cut, events_of_cut

S = 1_000_000_000


@st.composite
def _lives(draw: st.DrawFn) -> list[Event]:
    """Draw alerts of two limits that are raised, return, are acknowledged and shelved."""
    events: list[Event] = []
    standing: dict[str, int] = {}
    number = 0
    for at in range(draw(st.integers(1, 25))):
        limit = draw(st.sampled_from(["warm", "hot"]))
        severity = "trip" if limit == "hot" else "warning"
        kinds = ["acknowledged", "shelved", "unshelved"] if number else []
        kinds.append("returned" if limit in standing else "raised")
        kind = draw(st.sampled_from(kinds))
        if kind == "raised":
            number += 1
            standing[limit] = alert = number
        elif kind == "returned":
            alert = standing.pop(limit)
        else:
            alert = draw(st.integers(1, number))
        event = Event(
            sequence=at, time_ns=at * S, kind=kind, joint="elbow", limit=limit, severity=severity,
            alert=alert, value=float(at), duration_s=draw(st.integers(1, 20)) * 1.0,
        )  # fmt: skip
        events.append(event)
    return events


@given(_lives(), st.integers(0, 25), st.integers(1, 25))
def test_every_open_alert_has_the_state_that_it_had(lives: list[Event], start: int, length: int):
    """Acknowledged, shelved or latched, at every moment of the span, by the same fold."""
    end = start + length
    before, within = events_for_cut(lives, start_ns=start * S, end_ns=end * S)
    assert within == [event for event in lives if start <= event.sequence < end]
    for now in range(start, end):
        then = [event for event in lives if event.sequence <= now]
        mine = [*before, *(event for event in within if event.sequence <= now)]
        wanted = [
            one
            for one in alerts_from_events(then)
            if one.is_open(now * S) or one.returned_ns is None
        ]
        found = {one.number: one for one in alerts_from_events(mine)}
        for alert in wanted:
            # A shelving that is over is left behind.
            mine_of = replace(found[alert.number], shelved_until_ns=None)
            assert mine_of == replace(alert, shelved_until_ns=None)
            assert found[alert.number].state_at(now * S) == alert.state_at(now * S)
        assert {n for n, one in found.items() if one.is_open(now * S)} == {
            one.number for one in wanted if one.is_open(now * S)
        }


def test_what_another_alert_of_the_limit_says_of_its_shelving_counts():
    """Shelved through its newest alert, unshelved through an older one: it is active in the cut."""
    life = [("raised", 1), ("returned", 1), ("raised", 2), ("shelved", 2), ("unshelved", 1)]
    events = [
        Event(
            sequence=at, time_ns=at * S, kind=kind, joint="elbow", limit="warm", alert=alert,
            severity="warning", duration_s=60.0,
        )
        for at, (kind, alert) in enumerate(life)
    ]  # fmt: skip
    before, _ = events_for_cut(events, start_ns=5 * S, end_ns=9 * S)
    states = {one.number: one.state_at(5 * S) for one in alerts_from_events(before)}
    assert states[2] == "active"


def _cut(start: int, end: int) -> CutFrom:
    return CutFrom(
        recording="r", name="R", started_ns=0, from_ns=start * S, to_ns=end * S, cut_ns=99 * S
    )


def _event(at: int, kind: str, **more: object) -> Event:
    return Event(sequence=at, time_ns=at * S, kind=kind, **more)


def test_what_was_noted_after_the_end():
    """It belongs to a cut that reaches the end, and to no other; each ends once."""
    events = [_event(0, "started"), _event(5, "note", text="x"), _event(10, "ended")]
    events.append(_event(50, "note", text="seen next morning"))
    told, standing = events_of_cut(events, _cut(3, 10), to_the_end=True, live=False)
    assert [event.kind for event in told] == ["started", "note", "ended", "note"]
    assert [event.sequence for event in told] == [1, 2, 3, 4]
    assert standing == 0
    told, _ = events_of_cut(events, _cut(3, 9), to_the_end=False, live=False)
    assert [event.kind for event in told] == ["started", "note", "ended"]
    assert told[-1].time_ns == 9 * S


def test_a_pause_is_no_end():
    """Where a recorder went on after its first end, the cut of a live one still ends by itself."""
    events = [_event(0, "started"), _event(4, "ended"), _event(6, "continued", duration_s=2.0)]
    told, _ = events_of_cut(events, _cut(0, 9), to_the_end=True, live=True)
    assert [event.kind for event in told] == ["started", "ended", "continued", "ended"]
    assert told[-1].text == "The cut ends. Its recording goes on."
