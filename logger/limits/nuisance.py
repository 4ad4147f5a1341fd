"""Alerts that say more of their limit than of the joint: chattering and standing ones.

Chattering is an alert that is raised three times or more within a minute, standing one that has
been active for more than a day: the usual defaults of alarm management after ISA-18.2 / IEC 62682
(conventional, the clause was not seen). Named so that somebody looks at the limit. Pure.
"""

from collections.abc import Iterable, Sequence
from typing import Final

from logger.limits.lifecycle import Alert

__all__ = ["CHATTER_NS", "STANDING_NS", "chattering", "nuisance"]

CHATTERS: Final = 3
CHATTER_NS: Final = 60_000_000_000
STANDING_NS: Final = 24 * 3_600_000_000_000


def chattering(raised_ns: Sequence[int]) -> list[tuple[int, int]]:
    """Return the spans in which one alert chattered: from the first raise to the last.

    Parameters
    ----------
    raised_ns
        When it was raised, in order of time.
    """
    spans: list[tuple[int, int]] = []
    for first, last in zip(raised_ns, raised_ns[CHATTERS - 1 :], strict=False):
        if last - first > CHATTER_NS:
            continue
        if spans and first <= spans[-1][1]:
            spans[-1] = (spans[-1][0], last)
        else:
            spans.append((first, last))
    return spans


def nuisance(alert: Alert, alerts: Iterable[Alert], now_ns: int) -> str:
    """Return what is the matter with the limit of an alert in words, "" for nothing.

    `alerts` are all of the recording; those of the same joint and limit count.
    """
    if alert.returned_ns is None and now_ns - alert.raised_ns > STANDING_NS:
        return "standing for more than a day: look at the limit"
    raised = sorted(
        one.raised_ns
        for one in alerts
        if (one.joint, one.limit) == (alert.joint, alert.limit) and one.raised_ns <= now_ns
    )
    for first, last in reversed(chattering(raised)):
        if first <= alert.raised_ns <= last:
            times = sum(first <= at <= last for at in raised)
            span_s = (last - first) * 1e-9
            return f"chattering, {times} times in {span_s:.0f} s: look at the limit"
    return ""
