"""The alert lines of the Live page: what stands open, since when, how far, and what can be done.

Worst first. A trip stays until it is acknowledged and offers no shelving. `hear` says which sound a
line may have: "trip" or "warning" until it is acknowledged, none while it is shelved. Words only;
the state of an alert is `logger.limits.lifecycle`'s.
"""

import math
from collections.abc import Mapping, Sequence
from datetime import timezone
from typing import Any

from dashboard.text.theme import MARKS, clock, display_of, few_decimals, number, span_words
from dashboard.text.units import Displays
from logger.limits.lifecycle import Alert
from logger.limits.limit import Level, Limit
from logger.limits.nuisance import nuisance
from logger.limits.words import label
from replay.recording import Recording

__all__ = ["alert_lines"]

Words = dict[str, Any]


def alert_lines(
    recording: Recording,
    alerts: Sequence[Alert],
    now_ns: int,
    where: timezone,
    *,
    displays: Displays,
    peaks: Mapping[int, float],
) -> list[Words]:
    """Return the lines, worst first; one line that says so when nothing is open.

    `peaks`: number of an open alert -> the furthest value that it has reached by now.
    """
    levels = {limit.name: limit for limit in recording.limits.limits}
    lines: list[Words] = []
    for alert in alerts:
        state = alert.state(now_ns)
        if state == "shelved" and alert.shelved_until_ns is not None:
            left = (alert.shelved_until_ns - now_ns) / 1e9
            until = clock(alert.shelved_until_ns, where)[:5]
            lines.append(
                {
                    "n": alert.number,
                    "mark": "shelved",
                    "head": f"Shelved: {_what(alert, levels.get(alert.limit), displays)}",
                    "peak": "",
                    "small": f"speaks again at {until}, in {span_words(left)}",
                    "can": ["unshelve"],
                    "hear": "",
                    "rank": 3,
                }
            )
        elif alert.open(now_ns):
            line = _open_line(recording, alert, now_ns, where, displays=displays, peaks=peaks)
            matter = nuisance(alert, alerts, now_ns)
            if matter:
                line["small"] = f"{line['small']}; {matter}"
            lines.append(line)
    lines.sort(key=lambda line: (line["rank"], -line["n"]))
    if not lines:
        last = max((a.returned_ns for a in alerts if a.returned_ns is not None), default=None)
        said = f"the last one ended {clock(last, where)}" if last is not None else ""
        lines.append({"n": 0, "mark": "normal", "head": "", "peak": "No alert is open",
                      "small": said, "can": [], "hear": "", "rank": 4})  # fmt: skip
    return lines


def _what(alert: Alert, limit: Limit | None, displays: Displays) -> str:
    return f"{alert.joint} {label(limit, displays)}" if limit is not None else alert.text


def _open_line(
    recording: Recording,
    alert: Alert,
    now_ns: int,
    where: timezone,
    *,
    displays: Displays,
    peaks: Mapping[int, float],
) -> Words:
    limit = recording.limits.named(alert.limit)
    trip = alert.severity == "trip"
    peak = ""
    ends = ""
    if isinstance(limit, Level):
        shown = display_of(limit.channel, displays)
        worst = peaks.get(alert.number, alert.peak)
        if math.isfinite(worst):
            top = worst * shown.factor
            side = "at most" if limit.above is not None else "at least"
            peak = f", {number(top, few_decimals(top))} {side}"
        off = (limit.pick_up if limit.drop_off is None else limit.drop_off) * shown.factor
        after = f"after {span_words(limit.off_delay_s)} " if limit.off_delay_s else ""
        way = "below" if limit.above is not None else "above"
        ends = f"; ends {after}{way} {number(off, few_decimals(off))}"
    if trip:
        gone = alert.returned_ns is not None
        ends = "; the condition has gone, latched until acknowledged" if gone else "; latches"
    raised = f"raised {clock(alert.raised_ns, where)}, "
    raised += f"{span_words((now_ns - alert.raised_ns) / 1e9)} ago"
    # No shelving hides a trip.
    can = ["acknowledge"] if trip else ["acknowledge", "shelve"]
    if alert.acknowledged_ns is not None:
        by = f" by {alert.acknowledged_by}" if alert.acknowledged_by else ""
        raised += f"; acknowledged {clock(alert.acknowledged_ns, where)}{by}"
        can = [] if trip else ["shelve"]
    return {
        "n": alert.number,
        "mark": MARKS.get(alert.severity, "abnormal"),
        "head": f"{'Trip' if trip else 'Warning'}: {_what(alert, limit, displays)}",
        "peak": peak,
        "small": raised + ends,
        "can": can,
        "hear": "" if alert.acknowledged_ns is not None else alert.severity,
        "rank": (0 if trip else 1) + (0.5 if alert.acknowledged_ns is not None else 0),
    }
