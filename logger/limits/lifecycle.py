"""The life of each alert: one fold over the events, the same live and in replay.

The states are those of IEC 62682 / ISA-18.2 (read second-hand), in plain words:

    active         its condition is present, not acknowledged
    acknowledged   its condition is present, acknowledged
    latched        a trip whose condition has cleared, not acknowledged
    returned       a warning whose condition has cleared, not acknowledged
    cleared        gone, and acknowledged before or after
    shelved        an active warning that is hidden until a stated time

A trip latches until acknowledged, and no shelving hides it. Shelving is of a limit on a joint: a
warning that returns and is raised again meanwhile is shelved still. Pure; takes events by the names
of their attributes, so that it does not depend on the store.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final, Protocol

from logger.event_kind import EventKind
from logger.limits.limit_change import EventSeverity, Severity

__all__ = ["Alert", "AlertEvent", "AlertState", "Delivery", "alerts_from_events"]


class AlertState(StrEnum):
    """State of an alert: is the condition present, is it acknowledged."""

    ACTIVE = "active"
    ACKNOWLEDGED = "acknowledged"
    LATCHED = "latched"
    RETURNED = "returned"
    CLEARED = "cleared"
    SHELVED = "shelved"


_OPEN_STATES: Final = frozenset({AlertState.ACTIVE, AlertState.ACKNOWLEDGED, AlertState.LATCHED})


class AlertEvent(Protocol):
    """The fields of an event that the fold reads."""

    @property
    def time_ns(self) -> int: ...  # noqa: D102
    @property
    def kind(self) -> EventKind: ...  # noqa: D102
    @property
    def joint(self) -> str: ...  # noqa: D102
    @property
    def limit(self) -> str: ...  # noqa: D102
    @property
    def severity(self) -> EventSeverity: ...  # noqa: D102
    @property
    def alert(self) -> int: ...  # noqa: D102
    @property
    def channel(self) -> str: ...  # noqa: D102
    @property
    def value(self) -> float: ...  # noqa: D102
    @property
    def text(self) -> str: ...  # noqa: D102
    @property
    def who(self) -> str: ...  # noqa: D102
    @property
    def duration_s(self) -> float: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """Whom a message about an alert is for, and what came of it so far."""

    target: str
    delivered_ns: int | None
    """When it was delivered; None: it waits and is tried again."""
    fault: str = ""
    """Why it waits, as a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert and its life so far."""

    number: int
    limit: str
    joint: str
    severity: Severity
    channel: str
    raised_ns: int
    returned_ns: int | None = None
    acknowledged_ns: int | None = None
    acknowledged_by: str = ""
    shelved_until_ns: int | None = None
    """None for a trip, always."""
    peak: float = math.nan
    """Worst value: from the return on that of the whole alert, until then that of its raising."""
    onset_ns: int | None = None
    """Time of the first reading with its condition present; None: not recorded."""
    text: str = ""
    deliveries: tuple[Delivery, ...] = ()
    """Who was told that it was raised, or cannot be told yet; in the order of the first news."""

    def state_at(self, now_ns: int) -> AlertState:
        """Return the state at `now_ns`; only shelving runs out by time alone."""
        if self.returned_ns is not None:
            if self.acknowledged_ns is not None:
                return AlertState.CLEARED
            return AlertState.LATCHED if self.severity == "trip" else AlertState.RETURNED
        if self.shelved_until_ns is not None and now_ns < self.shelved_until_ns:
            return AlertState.SHELVED
        return AlertState.ACTIVE if self.acknowledged_ns is None else AlertState.ACKNOWLEDGED

    def is_open(self, now_ns: int) -> bool:
        """Return whether it is still open: active, acknowledged or latched."""
        return self.state_at(now_ns) in _OPEN_STATES


def alerts_from_events(
    events: Iterable[AlertEvent], *, so_far: Iterable[Alert] = ()
) -> tuple[Alert, ...]:
    """Return all alerts, in the order of their raising.

    Parameters
    ----------
    events
        In order of their sequence. Other kinds are skipped, and so is an event of an alert
        that was never raised (its raising may have been lost) or raises a number twice.
    so_far
        The alerts from the events before these.
    """
    alerts = {alert.number: alert for alert in so_far}
    newest = {(alert.joint, alert.limit): alert.number for alert in alerts.values()}
    for event in events:
        if event.kind == EventKind.RAISED:
            _add_raised(alerts, newest, event)
            continue
        alert = alerts.get(event.alert)
        if alert is None:
            continue
        if event.kind == EventKind.RETURNED and alert.returned_ns is None:
            peak = alert.peak if math.isnan(event.value) else event.value
            alerts[alert.number] = replace(alert, returned_ns=event.time_ns, peak=peak)
        elif event.kind == EventKind.ACKNOWLEDGED and alert.acknowledged_ns is None:
            alerts[alert.number] = replace(
                alert, acknowledged_ns=event.time_ns, acknowledged_by=event.who
            )
        elif event.kind in {EventKind.NOTIFIED, EventKind.NOTIFYING}:
            alerts[alert.number] = replace(
                alert, deliveries=_with_delivery(alert.deliveries, event)
            )
        elif event.kind in {EventKind.SHELVED, EventKind.UNSHELVED}:
            # What is shelved is the limit on the joint, and its newest alert carries that.
            carrier = alerts[newest[(alert.joint, alert.limit)]]
            shelve = event.kind == EventKind.SHELVED and carrier.severity != "trip"
            until_ns = _shelved_until_ns(event) if shelve else None
            alerts[carrier.number] = replace(carrier, shelved_until_ns=until_ns)
    return tuple(alerts.values())


def _add_raised(
    alerts: dict[int, Alert], newest: dict[tuple[str, str], int], event: AlertEvent
) -> None:
    if event.alert in alerts or event.alert <= 0:
        return
    severity: Severity = "trip" if event.severity == "trip" else "warning"
    key = (event.joint, event.limit)
    previous = alerts.get(newest.get(key, 0))
    until_ns = previous.shelved_until_ns if previous is not None else None
    if severity == "trip" or (until_ns is not None and until_ns <= event.time_ns):
        until_ns = None
    alerts[event.alert] = Alert(
        number=event.alert,
        limit=event.limit,
        joint=event.joint,
        severity=severity,
        channel=event.channel,
        raised_ns=event.time_ns,
        shelved_until_ns=until_ns,
        peak=event.value,
        onset_ns=None
        if math.isnan(event.duration_s)
        else event.time_ns - round(event.duration_s * 1e9),
        text=event.text,
    )
    newest[key] = event.alert


def _with_delivery(deliveries: tuple[Delivery, ...], event: AlertEvent) -> tuple[Delivery, ...]:
    is_delivered = event.kind == EventKind.NOTIFIED
    news = Delivery(
        target=event.who,
        delivered_ns=event.time_ns if is_delivered else None,
        fault="" if is_delivered else event.text,
    )
    by_target = {delivery.target: delivery for delivery in deliveries}
    return tuple({**by_target, event.who: news}.values())


def _shelved_until_ns(event: AlertEvent) -> int | None:
    """Return when a shelving ends; shelving is for a stated time, so none without one."""
    if not (math.isfinite(event.duration_s) and event.duration_s > 0):
        return None
    return event.time_ns + round(event.duration_s * 1e9)
