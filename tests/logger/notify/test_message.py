"""What a message says: which test, values with units, what was done to which alert, how long."""

import math
from dataclasses import replace

import pytest

from logger.limits.limit import parse_limits
from logger.notify.message import MessageSource, message_payload, message_text
from logger.store.layout.events import Event
from logger.store.layout.request import new_request, to_event

LIMITS = parse_limits(
    """
format = 1
[[limit]]
name = "hot"
kind = "level"
channel = "temperature_housing_degC"
severity = "trip"
above = 80.0
drop_off = 76.0
[[limit]]
name = "fast"
kind = "rate"
channel = "temperature_housing_degC"
severity = "warning"
rise_per_min = 2.0
over_s = 60
""",
    "limits.toml",
)
SOURCE = MessageSource(recording="rec", test="Endurance 3", limit_named=LIMITS.by_name)
RAISED = Event(
    sequence=1,
    time_ns=1_800_000_000_000_000_000,
    kind="raised",
    joint="shoulder",
    limit="hot",
    severity="trip",
    alert=4,
    channel="temperature_housing_degC",
    value=83.0,
    duration_s=3.0,
    text="shoulder: housing at or above 80 °C for 3 s, now 83 °C (hot)",
)
ENDS = "(test 'Endurance 3', rec, 2027-01-15T08:"


def _later(minutes: float) -> int:
    return RAISED.time_ns + round(minutes * 60e9)


def _done(kind: str, **more: object) -> dict:
    request = new_request(kind=kind, alert=4, **{"text": "", "who": "Ann", **more})
    event = to_event(request, sequence=9, time_ns=_later(3.5), raised=RAISED)
    return message_payload(event, SOURCE)


def test_a_value_has_its_unit():
    """The code of the stored unit for programs, and the value as pages show it for people."""
    content = message_payload(RAISED, SOURCE)
    assert (content["value"], content["unit"], content["value_text"]) == (83.0, "Cel", "83 °C")
    assert content["limit_text"] == "housing at or above 80 °C"
    assert content["duration_s"] == 3.0


def test_a_value_of_no_channel_has_its_unit_in_words():
    """A rise has a unit, too, though no channel is of it."""
    rate = replace(RAISED, limit="fast", channel="", value=2.5)
    content = message_payload(rate, SOURCE)
    assert (content["unit"], content["value_text"]) == (None, "2.5 K/min")


def test_which_test_it_is():
    """Its name; and that its joints are simulated where they are."""
    assert message_text(message_payload(RAISED, SOURCE)).endswith(f"{ENDS}00:00.000Z)")
    simulated = message_payload(RAISED, replace(SOURCE, simulated=True))
    assert simulated["simulated"] is True
    assert "(simulated joints, test 'Endurance 3', rec, " in message_text(simulated)


def test_what_has_returned():
    """How long it stood."""
    returned = replace(
        RAISED, kind="returned", time_ns=_later(2), duration_s=120.0, text="shoulder: back (hot)"
    )
    assert message_text(message_payload(returned, SOURCE)) == (
        f"Over: shoulder: back (hot), 2 min after it was raised {ENDS}02:00.000Z)"
    )


@pytest.mark.parametrize(
    ("kind", "more", "sentence"),
    [
        ("acknowledge", {}, "Acknowledged: {}, by Ann, 210 s after it was raised "),
        ("acknowledge", {"who": ""}, "Acknowledged: {}, 210 s after it was raised "),
        (
            "acknowledge",
            {"text": "fan"},
            "Acknowledged: {}, by Ann, 210 s after it was raised: fan ",
        ),
        ("shelve", {"for_s": 1800.0}, "Shelved: {}, by Ann, for 30 min "),
        ("unshelve", {}, "Unshelved: {}, by Ann, 210 s after it was raised "),
    ],
)
def test_what_is_done_to_an_alert(kind: str, more: dict, sentence: str):
    """Joint, limit, value with its unit, by whom, and how long it stood; the same in fields."""
    content = _done(kind, **more)
    alert = "shoulder housing at or above 80 °C (hot), raised at 83 °C"
    assert message_text(content) == f"{sentence.format(alert)}{ENDS}03:30.000Z)"
    assert (content["joint"], content["limit"], content["severity"]) == ("shoulder", "hot", "trip")
    assert (content["value"], content["unit"]) == (83.0, "Cel")
    assert content["duration_s"] == (1800.0 if kind == "shelve" else 210.0)


def test_an_alert_that_is_not_known_any_more():
    """Without its raising the message says what is known, and no number is made up."""
    request = new_request(kind="acknowledge", alert=4, text="", who="Ann")
    content = message_payload(to_event(request, sequence=9, time_ns=_later(1)), SOURCE)
    assert (content["value"], content["unit"], content["duration_s"]) == (None, None, None)
    assert "by Ann" in message_text(content)
    assert math.isnan(to_event(request, sequence=9, time_ns=1).duration_s)


def test_a_message_that_an_earlier_version_wrote():
    """What still waits in the folder has fewer fields, and is said all the same."""
    older = {
        "format": 1, "recording": "rec", "kind": "acknowledged", "time": "2027-01-15T08:00:00Z",
        "joint": "shoulder", "limit": "hot", "severity": "trip", "alert": 4, "channel": "",
        "value": None, "text": "",
    }  # fmt: skip
    assert message_text(older) == "Acknowledged: shoulder hot (rec, 2027-01-15T08:00:00Z)"
