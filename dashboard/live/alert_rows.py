"""The alert lines of the Live page: open alerts with their time, peak and possible actions.

Worst first. A trip stays until it is acknowledged and cannot be shelved. `deliveries` says who was
told, or cannot be told yet. `sound` is the sound of a line: "trip" or "warning" until it is
acknowledged, none while it is shelved. Only words are made here; the state of an alert comes from
`logger.limits.lifecycle`.
"""

import math
from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Final

from dashboard.live.wire_messages import AlertRow, AlertSummary
from dashboard.text.deliveries import describe_deliveries
from dashboard.text.format import format_clock, format_duration, format_reading
from dashboard.text.theme import STATE_BY_SEVERITY, display_of
from dashboard.text.units import Displays
from logger.limits.kinds.level import Level
from logger.limits.lifecycle import Alert, AlertState
from logger.limits.limit import Limit
from logger.limits.nuisance import describe_nuisance
from logger.limits.words import limit_label
from replay.recording import Recording

__all__ = ["alert_rows", "alert_summary"]

NAMED: Final = 3
"""So many alerts are named in a line that stands for several."""


def alert_rows(
    recording: Recording,
    alerts: Sequence[Alert],
    now_ns: int,
    zone: tzinfo,
    *,
    displays: Displays,
    peaks: Mapping[int, float],
) -> list[AlertRow]:
    """Return the lines, worst first; a single line if no alert is open.

    `peaks`: number of an open alert -> its worst value so far.
    """
    levels = {limit.name: limit for limit in recording.limits.limits}
    rows: list[AlertRow] = []
    for alert in alerts:
        state = alert.state_at(now_ns)
        if state == AlertState.SHELVED and alert.shelved_until_ns is not None:
            remaining_s = (alert.shelved_until_ns - now_ns) / 1e9
            until = format_clock(alert.shelved_until_ns, zone)[:5]
            label = _alert_label(recording, alert, levels.get(alert.limit), displays)
            rows.append(
                {
                    "number": alert.number,
                    "mark": "shelved",
                    "headline": f"Shelved: {label}",
                    "label": label,
                    "peak": "",
                    "detail": f"alerts again at {until}, in {format_duration(remaining_s)}",
                    "actions": ["unshelve"],
                    "sound": "",
                    "rank": 3,
                }
            )
        elif alert.is_open(now_ns):
            row = _open_alert_row(recording, alert, now_ns, zone, displays=displays, peaks=peaks)
            nuisance_text = describe_nuisance(alert, alerts, now_ns)
            if nuisance_text:
                row["detail"] = f"{row['detail']}; {nuisance_text}"
            rows.append(row)
    rows.sort(key=lambda row: (row["rank"], -row["number"]))
    if not rows:
        last_returned_ns = max(
            (a.returned_ns for a in alerts if a.returned_ns is not None), default=None
        )
        last_text = (
            f"the last one ended {format_clock(last_returned_ns, zone)}"
            if last_returned_ns is not None
            else ""
        )
        rows.append(
            {
                "number": 0,
                "mark": "normal",
                "headline": "",
                "label": "",
                "peak": "No alert is open",
                "detail": last_text,
                "actions": [],
                "sound": "",
                "rank": 4,
            }
        )
    return rows


def alert_summary(rows: Sequence[AlertRow]) -> AlertSummary:
    """Return one line for several alerts, given worst first: how many, and which the first are."""
    kinds = (("danger", "trip"), ("abnormal", "warning"), ("shelved", "shelved"))
    counts = [(sum(row["mark"] == mark for row in rows), word) for mark, word in kinds]
    parts = [
        f"{count} {word}{'' if count == 1 or word == 'shelved' else 's'}"
        for count, word in counts
        if count
    ]
    labels = [row["label"] for row in rows[:NAMED]]
    left = len(rows) - len(labels)
    return {
        "mark": rows[0]["mark"],
        "headline": f"{' and '.join(parts)}: {', '.join(labels)}",
        "detail": f"and {left} more" if left else "",
    }


def _alert_label(
    recording: Recording, alert: Alert, limit: Limit | None, displays: Displays
) -> str:
    if limit is None:
        return alert.text
    return f"{recording.bench.label_of(alert.joint)} {limit_label(limit, displays)}"


def _open_alert_row(
    recording: Recording,
    alert: Alert,
    now_ns: int,
    zone: tzinfo,
    *,
    displays: Displays,
    peaks: Mapping[int, float],
) -> AlertRow:
    limit = recording.limits.by_name(alert.limit)
    label = _alert_label(recording, alert, limit, displays)
    trip = alert.severity == "trip"
    peak = ""
    ends = ""
    if isinstance(limit, Level):
        display = display_of(limit.channel, displays)
        worst = peaks.get(alert.number, alert.peak)
        if math.isfinite(worst):
            top = worst * display.factor
            side = "at most" if limit.above is not None else "at least"
            peak = f", {format_reading(top)} {side}"
        delay_text = f"after {format_duration(limit.off_delay_s)} " if limit.off_delay_s else ""
        ends = f"; ends {delay_text}{limit.phrases(displays).clears}"
    if trip:
        has_returned = alert.returned_ns is not None
        ends = (
            "; the condition has gone, latched until acknowledged" if has_returned else "; latches"
        )
    since_text = f"raised {format_clock(alert.raised_ns, zone)}, "
    since_text += f"{format_duration((now_ns - alert.raised_ns) / 1e9)} ago"
    # No shelving hides a trip.
    actions = ["acknowledge"] if trip else ["acknowledge", "shelve"]
    if alert.acknowledged_ns is not None:
        by = f" by {alert.acknowledged_by}" if alert.acknowledged_by else ""
        since_text += f"; acknowledged {format_clock(alert.acknowledged_ns, zone)}{by}"
        actions = [] if trip else ["shelve"]
    row: AlertRow = {
        "number": alert.number,
        "mark": STATE_BY_SEVERITY.get(alert.severity, "abnormal"),
        "headline": f"{'Trip' if trip else 'Warning'}: {label}",
        "label": label,
        "peak": peak,
        "detail": since_text + ends,
        "actions": actions,
        "sound": "" if alert.acknowledged_ns is not None else alert.severity,
        "rank": (0 if trip else 1) + (0.5 if alert.acknowledged_ns is not None else 0),
    }
    if alert.deliveries:
        row["deliveries"] = describe_deliveries(
            alert.deliveries, lambda at_ns: format_clock(at_ns, zone)
        )
    return row
