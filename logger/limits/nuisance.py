"""Alerts that say more of their limit than of the joint: chattering and standing ones.

Chattering is an alert that is raised three times or more within a minute, standing one that has
been active for more than a day: the usual defaults of alarm management after ISA-18.2 / IEC 62682
(conventional, the clause was not seen). Named so that somebody looks at the limit. Pure.
"""

from collections.abc import Iterable, Sequence
from typing import Final

from logger.limits.lifecycle import Alert

__all__ = ["CHATTER_WINDOW_NS", "STANDING_ALERT_NS", "chattering_spans", "describe_nuisance"]

MIN_CHATTERS: Final = 3
CHATTER_WINDOW_NS: Final = 60_000_000_000
STANDING_ALERT_NS: Final = 24 * 3_600_000_000_000


def chattering_spans(raised_ns: Sequence[int]) -> list[tuple[int, int]]:
    """Return the spans in which one alert chattered: from the first raise to the last.

    Parameters
    ----------
    raised_ns
        When it was raised, in order of time.
    """
    spans: list[tuple[int, int]] = []
    for first_ns, last_ns in zip(raised_ns, raised_ns[MIN_CHATTERS - 1 :], strict=False):
        if last_ns - first_ns > CHATTER_WINDOW_NS:
            continue
        if spans and first_ns <= spans[-1][1]:
            spans[-1] = (spans[-1][0], last_ns)
        else:
            spans.append((first_ns, last_ns))
    return spans


def describe_nuisance(alert: Alert, alerts: Iterable[Alert], now_ns: int) -> str:
    """Return what is the matter with the limit of an alert in words, "" for nothing.

    `alerts` are all of the recording; those of the same joint and limit count.
    """
    if alert.returned_ns is None and now_ns - alert.raised_ns > STANDING_ALERT_NS:
        return "standing for more than a day: look at the limit"
    raised_ns = sorted(
        other.raised_ns
        for other in alerts
        if (other.joint, other.limit) == (alert.joint, alert.limit) and other.raised_ns <= now_ns
    )
    for first_ns, last_ns in reversed(chattering_spans(raised_ns)):
        if first_ns <= alert.raised_ns <= last_ns:
            times = sum(first_ns <= at_ns <= last_ns for at_ns in raised_ns)
            span_s = (last_ns - first_ns) * 1e-9
            return f"chattering, {times} times in {span_s:.0f} s: look at the limit"
    return ""
