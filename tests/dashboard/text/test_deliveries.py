"""Whom an alert was told to, as a sentence."""

from dashboard.text.deliveries import describe_deliveries
from logger.limits.lifecycle import Delivery


def test_told_and_waiting():
    """Those who were told with their times, then those who wait with their reason."""
    told = [Delivery(target=name, delivered_ns=at) for name, at in (("desk", 5), ("phone", 7))]
    waiting = Delivery(target="lamp", delivered_ns=None, fault="lamp cannot be reached (x).")

    def describe(*deliveries: Delivery) -> str:
        return describe_deliveries(deliveries, lambda at_ns: f"at {at_ns}")

    assert describe() == ""
    assert describe(*told) == "told desk at 5, phone at 7"
    assert describe(waiting) == "lamp cannot be reached (x)."
    assert describe(told[0], waiting, told[1]) == (
        "told desk at 5, phone at 7; lamp cannot be reached (x)."
    )
