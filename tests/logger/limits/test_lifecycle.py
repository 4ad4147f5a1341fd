"""The life of alerts: transitions, latching, shelving, and any cut of the events."""

import math
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.limits.lifecycle import Alert, Delivery, alerts_from_events

S = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """An event, with the attributes that the fold asks for."""

    time_ns: int
    kind: str
    joint: str = "shoulder"
    limit: str = "warm"
    severity: str = "warning"
    alert: int = 0
    channel: str = "temperature_housing_degC"
    value: float = math.nan
    text: str = ""
    who: str = ""
    duration_s: float = math.nan


def raised(at_s: int, alert: int, severity: str = "warning", **keys) -> Said:
    """Return the event of a raising."""
    return Said(time_ns=at_s * S, kind="raised", alert=alert, severity=severity, **keys)


def later(at_s: int, kind: str, alert: int, **keys) -> Said:
    """Return an event in the life of an alert."""
    return Said(time_ns=at_s * S, kind=kind, alert=alert, **keys)


@pytest.mark.parametrize(
    ("severity", "events", "state", "is_open"),
    [
        ("warning", [], "active", True),
        ("trip", [], "active", True),
        ("warning", ["acknowledged"], "acknowledged", True),
        ("trip", ["acknowledged"], "acknowledged", True),
        ("warning", ["returned"], "returned", False),
        ("trip", ["returned"], "latched", True),
        ("warning", ["acknowledged", "returned"], "cleared", False),
        ("warning", ["returned", "acknowledged"], "cleared", False),
        ("trip", ["acknowledged", "returned"], "cleared", False),
        ("trip", ["returned", "acknowledged"], "cleared", False),
        ("warning", ["shelved"], "shelved", False),
        ("warning", ["shelved", "acknowledged"], "shelved", False),
        ("warning", ["acknowledged", "shelved", "unshelved"], "acknowledged", True),
        ("warning", ["shelved", "unshelved"], "active", True),
        ("warning", ["shelved", "returned"], "returned", False),
        ("trip", ["shelved"], "active", True),
        ("trip", ["shelved", "returned"], "latched", True),
    ],
)
def test_transitions(severity, events, state, is_open):
    """Each order of events leads to the state that IEC 62682 / ISA-18.2 has for it.

    Read in OPC 10000-9, which cites them. A trip latches, and no shelving hides it.
    """
    told = [raised(0, 1, severity)]
    told += [later(i, kind, 1, duration_s=60.0) for i, kind in enumerate(events, start=1)]
    (alert,) = alerts_from_events(told)
    assert alert.state_at(10 * S) == state
    assert alert.is_open(10 * S) is is_open


def test_what_an_alert_keeps():
    """When and by whom it was acknowledged stays as first said; the peak is that of the return."""
    (alert,) = alerts_from_events(
        [
            raised(5, 1, "trip", value=71.0, text="shoulder: housing at or above 70 °C"),
            later(6, "acknowledged", 1, who="night shift"),
            later(7, "returned", 1, value=84.5),
            later(8, "acknowledged", 1, who="day shift"),
            later(9, "returned", 1, value=99.0),
        ]
    )
    assert alert == Alert(
        number=1,
        limit="warm",
        joint="shoulder",
        severity="trip",
        channel="temperature_housing_degC",
        raised_ns=5 * S,
        returned_ns=7 * S,
        acknowledged_ns=6 * S,
        acknowledged_by="night shift",
        peak=84.5,
        text="shoulder: housing at or above 70 °C",
    )


def test_peak_without_one_told():
    """Until a return tells the peak, and where it tells none, it is the value of the raising."""
    assert alerts_from_events([raised(0, 1, value=71.0)])[0].peak == 71.0
    assert alerts_from_events([raised(0, 1, value=71.0), later(1, "returned", 1)])[0].peak == 71.0


def test_shelving_runs_out():
    """A shelved warning is back by itself when its time is over, to the nanosecond."""
    (alert,) = alerts_from_events([raised(0, 1), later(10, "shelved", 1, duration_s=30.0)])
    assert alert.state_at(40 * S - 1) == "shelved"
    assert alert.state_at(40 * S) == "active"


def test_shelving_holds_through_a_new_raising():
    """A warning that chatters while it is shelved stays shelved, and is back after the time."""
    events = [
        raised(0, 1),
        later(10, "shelved", 1, duration_s=30.0),
        later(12, "returned", 1),
        raised(15, 2),
        raised(16, 3, joint="elbow"),
        raised(17, 4, limit="hot"),
    ]
    assert [alert.state_at(20 * S) for alert in alerts_from_events(events)] == [
        "returned",
        "shelved",
        "active",
        "active",
    ]
    late = [*events, later(18, "returned", 2), raised(41, 5)]
    assert alerts_from_events(late)[-1].state_at(41 * S) == "active"
    unshelved = [*events, later(18, "unshelved", 1)]
    assert alerts_from_events(unshelved)[1].state_at(20 * S) == "active"


def test_a_limit_that_became_a_trip_is_not_shelved():
    """Shelving is not handed on to a trip of the same name, nor put on it by an older number."""
    events = [raised(0, 1), later(1, "shelved", 1, duration_s=600.0), later(2, "returned", 1)]
    events += [raised(3, 2, "trip"), later(4, "shelved", 1, duration_s=600.0)]
    assert alerts_from_events(events)[1].state_at(5 * S) == "active"


@pytest.mark.parametrize("duration_s", [math.nan, 0.0, -5.0, math.inf])
def test_shelving_is_for_a_stated_time(duration_s):
    """A shelving that states no time shelves nothing."""
    (alert,) = alerts_from_events([raised(0, 1), later(1, "shelved", 1, duration_s=duration_s)])
    assert alert.state_at(2 * S) == "active"


def test_unknown_numbers_and_kinds_are_passed_over():
    """What speaks of an alert that was never raised, or raises one twice, changes nothing."""
    events = [
        later(0, "returned", 7),
        later(0, "acknowledged", 0),
        later(0, "shelved", 9, duration_s=5.0),
        raised(1, 0),
        raised(1, -1),
        raised(2, 3, value=1.0),
        raised(3, 3, value=2.0),
        Said(time_ns=4 * S, kind="note", text="fan off"),
        Said(time_ns=4 * S, kind="of a later version", alert=3),
    ]
    (alert,) = alerts_from_events(events)
    assert (alert.number, alert.raised_ns, alert.peak) == (3, 2 * S, 1.0)
    assert alerts_from_events([]) == ()


def some_events() -> st.SearchStrategy[list[Said]]:
    """Draw events of few alerts in any order."""
    return st.lists(
        st.builds(
            Said,
            time_ns=st.integers(0, 20).map(lambda t: t * S),
            kind=st.sampled_from(["raised", "returned", "acknowledged", "shelved", "unshelved"]),
            joint=st.sampled_from(["shoulder", "elbow"]),
            severity=st.sampled_from(["warning", "trip"]),
            alert=st.integers(0, 5),
            value=st.integers(0, 3).map(float),
            duration_s=st.sampled_from([math.nan, 3.0, 10.0]),
        ),
        max_size=30,
    ).map(lambda events: sorted(events, key=lambda event: event.time_ns))


@given(some_events(), st.integers(0, 30))
def test_the_fold_can_be_taken_up_anywhere(events, cut):
    """Folding the first events and then the rest gives what folding all at once gives."""
    assert alerts_from_events(
        events[cut:], so_far=alerts_from_events(events[:cut])
    ) == alerts_from_events(events)


@given(some_events(), st.integers(0, 40))
def test_no_order_of_events_hides_a_trip(events, now_s):
    """Whatever happens, a trip that nobody has acknowledged is open."""
    for alert in alerts_from_events(events):
        if alert.severity == "trip" and alert.acknowledged_ns is None:
            assert alert.is_open(now_s * S)


def test_who_was_told():
    """Each target by its newest news: it waits, and why; then it was told, and when."""
    waits = later(2, "telling", 1, who="lamp", text="lamp cannot be reached (x). Trying again.")
    events = [
        raised(1, 1),
        waits,
        later(3, "notified", 1, who="desk"),
        later(4, "telling", 0, who="lamp", text="lamp receives messages again."),
    ]
    (alert,) = alerts_from_events(events)
    assert alert.deliveries == (
        Delivery(target="lamp", delivered_ns=None, fault=waits.text),
        Delivery(target="desk", delivered_ns=3 * S),
    )
    (alert,) = alerts_from_events([later(5, "notified", 1, who="lamp")], so_far=[alert])
    assert [(one.target, one.delivered_ns, one.fault) for one in alert.deliveries] == [
        ("lamp", 5 * S, ""),
        ("desk", 3 * S, ""),
    ]
    (untold,) = alerts_from_events([raised(1, 1)])
    assert untold.deliveries == ()
