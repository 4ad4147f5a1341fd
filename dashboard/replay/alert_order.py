"""In which order alerts are listed, which of them are chosen, and at which a reader stops.

Trips first, what only chatters last: a limit that is raised three times in a minute says more of
itself than of the joint (`logger.limits.nuisance`). Pure.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from logger.limits.lifecycle import Alert
from logger.limits.nuisance import chattering_spans

__all__ = ["AlertFilter", "alert_stops", "worst_first"]

AlertKey = tuple[str, str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertFilter:
    """Which alerts are wanted; empty: any."""

    severity: str = ""
    joint: str = ""
    limit: str = ""

    def matches(self, alert: Alert) -> bool:
        """Return whether an alert is one of them."""
        return (
            self.severity in {"", alert.severity}
            and self.joint in {"", alert.joint}
            and self.limit in {"", alert.limit}
        )


def _key(alert: Alert) -> AlertKey:
    return alert.joint, alert.limit, alert.raised_ns


def _repeats(alerts: Sequence[Alert]) -> set[AlertKey]:
    """Return the alerts of chattering limits, all but the first of each time that one chattered."""
    raised: dict[tuple[str, str], list[int]] = {}
    for alert in alerts:
        raised.setdefault((alert.joint, alert.limit), []).append(alert.raised_ns)
    repeats: set[AlertKey] = set()
    for (joint, limit), times_ns in raised.items():
        times_ns.sort()
        spans = chattering_spans(times_ns)
        starts = [first_ns for first_ns, _ in spans]
        for at_ns in times_ns:
            place = bisect_right(starts, at_ns) - 1
            if place >= 0 and starts[place] < at_ns <= spans[place][1]:
                repeats.add((joint, limit, at_ns))
    return repeats


def worst_first(alerts: Sequence[Alert]) -> Callable[[Alert], tuple[bool, bool]]:
    """Return by what alerts are sorted: trips first, the repeats of what chatters last."""
    repeats = _repeats(alerts)
    return lambda alert: (alert.severity != "trip", _key(alert) in repeats)


def alert_stops(alerts: Sequence[Alert], start_ns: int, *, trips: bool = False) -> list[float]:
    """Return when alerts were raised, in s since the start, of chatter the first of each time.

    `trips`: of trips alone.
    """
    repeats = _repeats(alerts)
    times_s = {
        round(max(alert.raised_ns - start_ns, 0) / 1e9, 3)
        for alert in alerts
        if _key(alert) not in repeats and (not trips or alert.severity == "trip")
    }
    return sorted(times_s)
