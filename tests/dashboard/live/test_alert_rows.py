"""The lines of alerts on Live: who was told of them."""

from dataclasses import replace
from datetime import UTC

from dashboard.live.alert_rows import alert_rows
from dashboard.text.units import DEFAULT_DISPLAYS
from logger.limits.lifecycle import Delivery
from replay.recording import Recording

S = 1_000_000_000


def test_an_alert_says_who_was_told(overheat: Recording):
    """With the time of day, or why not yet; nothing where nobody is to be told."""
    hot = next(alert for alert in overheat.read_alerts() if alert.limit == "housing-hot")
    at_ns = hot.raised_ns // S * S

    def told(*deliveries: Delivery) -> str | None:
        alert = replace(hot, returned_ns=None, deliveries=deliveries)
        rows = alert_rows(
            overheat, [alert], at_ns + 60 * S, UTC, displays=DEFAULT_DISPLAYS, peaks={}
        )
        (row,) = rows
        return row.get("deliveries")

    assert told() is None
    clock = told(Delivery(target="desk", delivered_ns=at_ns))
    assert clock is not None
    assert clock.startswith("told desk ")
    fault = "lamp cannot be reached (it answered 503 Service Unavailable). Trying again."
    lamp = Delivery(target="lamp", delivered_ns=None, fault=fault)
    assert told(lamp) == fault
    assert told(Delivery(target="desk", delivered_ns=at_ns), lamp) == f"{clock}; {fault}"
