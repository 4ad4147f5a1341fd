"""Which limits could not be judged, and when, in words for the list of excursions.

What is not listed as raised may have been beyond a limit that was not judged.
"""

from typing import Any

from dashboard.text.format import format_duration, format_elapsed
from dashboard.text.theme import channel_label
from dashboard.text.units import Displays
from logger.limits.words import limit_label
from replay.excursions.applied_limits import AppliedLimits
from replay.excursions.not_judged import never_judged, recorded_not_judged
from replay.recording import Recording

__all__ = ["not_judged_rows"]


def not_judged_rows(
    recording: Recording, applied: AppliedLimits, displays: Displays
) -> list[dict[str, Any]]:
    """Return a row for each limit that cannot be judged, and for each span in which one was not.

    {"at_s": None for the whole recording, "limit", "label", "text"}. Spans are known of the limits
    that were in force at the time.
    """
    labels = recording.bench.labels
    rows: list[dict[str, Any]] = []
    for never in never_judged(recording, applied.limits):
        lacking = " or ".join(channel_label(channel) for channel in never.lacking)
        named = never.limit.joint
        who = labels.get(named, named) if named else "a joint"
        rows.append(
            {
                "at_s": None,
                "limit": never.limit.name,
                "label": limit_label(never.limit, displays),
                "text": f"cannot be judged: {lacking} of {who} is not reported",
            }
        )
    if applied.hypothetical:
        return rows
    for span in recorded_not_judged(recording):
        limit = applied.limit_at_raise(span.limit, span.start_ns)
        at_s = max(span.start_ns - recording.start_ns, 0) / 1e9
        duration_text = format_duration((span.end_ns - span.start_ns) / 1e9)
        rows.append(
            {
                "at_s": at_s,
                "limit": span.limit,
                "label": f"{labels.get(span.joint, span.joint)} "
                f"{limit_label(limit, displays) if limit else span.limit}",
                "text": f"not judged from {format_elapsed(at_s)} for {duration_text}"
                + (", and on" if span.ongoing else ""),
            }
        )
    return rows
