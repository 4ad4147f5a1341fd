"""Who sent on a bus in a short span, as rows of a table that can be sorted.

Each cell has its text and, where it differs, the value to sort by. Pure.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from dashboard.text.format import format_duration, format_elapsed, format_number, format_thousands
from logger.traffic.bus_statistics import BusStatistics
from logger.traffic.cadence import MessageStats
from logger.traffic.diagnosis import unclaimed_sentence
from replay.bus_events import TrafficSample

__all__ = ["message_table"]


def message_table(
    sample: TrafficSample,
    bus: int,
    *,
    start_ns: int,
    requested_s: float,
    recorded_load: float,
    labels: Mapping[str, str],
) -> dict[str, Any]:
    """Return the senders and totals of one bus in a span, as the page shows them.

    Parameters
    ----------
    start_ns
        The start of the recording.
    requested_s
        Length of the requested span.
    recorded_load
        The load of the span by the recorder's own figures, which count its requests as well; NaN
        where there are none.
    labels
        Joint -> what people call it.
    """
    statistics = sample.buses[bus]
    from_s, to_s = (sample.start_ns - start_ns) / 1e9, (sample.end_ns - start_ns) / 1e9
    span_s = to_s - from_s
    decimals = 1 if span_s < 60 else 0
    when = f"{format_elapsed(from_s, decimals)} to {format_elapsed(to_s, decimals)}"
    cut = (
        f"Only {format_duration(span_s)} of the selected {format_duration(requested_s)} are "
        "evaluated: enough to find the periods."
        if sample.is_truncated
        else ""
    )
    return {
        "from_s": from_s,
        "to_s": to_s,
        "title": f"Traffic in {format_duration(span_s)}",
        "when": when,
        "cut": cut,
        "facts": _bus_facts(statistics, recorded_load),
        "verdict": _verdict(statistics, sample.hints[bus]),
        "hints": list(sample.hints[bus]),
        "undecoded": _undecoded_rows(statistics),
        "errors": [
            [error_name, format_thousands(count)]
            for error_name, count in statistics.error_classes.items()
        ],
        "senders": [_message_row(message, statistics, labels) for message in statistics.messages],
    }


def _verdict(statistics: BusStatistics, hints: Sequence[str]) -> list[str]:
    """Return a mark and what is to be said of a span beside its hints."""
    unclaimed = unclaimed_sentence(statistics)
    if hints:
        return ["none", unclaimed] if unclaimed else []
    if unclaimed:
        return ["none", f"No fault in this span, but: {unclaimed}"]
    return ["normal", "Nothing in this span is out of order."]


def _bus_facts(statistics: BusStatistics, recorded_load: float) -> list[list[str]]:
    facts = [
        ["frames", format_thousands(statistics.frames), ""],
        ["frames/s", format_thousands(round(statistics.frames_per_s)), ""],
    ]
    # By the measure of the table and the picture, requests included, where the recorder took it.
    load, label = recorded_load, "load"
    if math.isnan(load) and statistics.load is not None:
        load = statistics.load
        # Frames that this program sent are not received.
        label = "load, requests apart" if statistics.settings.send else "load"
    if not math.isnan(load):
        label += ", at most" if statistics.fd_frames else ""
        facts.append([label, format_number(load * 100, 1), "%"])
    facts.append(["error frames", format_thousands(statistics.error_frames), ""])
    if statistics.fd_frames:
        facts.append(["CAN FD", format_thousands(statistics.fd_frames), ""])
    if statistics.remote_frames:
        facts.append(["remote", format_thousands(statistics.remote_frames), ""])
    return facts


def _undecoded_rows(statistics: BusStatistics) -> list[list[str]]:
    """Return reason, count and share of the frames that no layout decodes, the most first."""
    total = max(statistics.frames + statistics.error_frames, 1)
    ordered = sorted(statistics.undecoded.items(), key=lambda pair: -pair[1])
    return [
        [reason, format_thousands(count), f"{_share_text(count / total)}"]
        for reason, count in ordered
    ]


def _message_row(
    message: MessageStats, statistics: BusStatistics, labels: Mapping[str, str]
) -> dict[str, Any]:
    """Return a row: for each column its text, and the value to sort by where that differs."""
    reason = _undecoded_reason(message)
    role = {"set-point": "set-point", "request": "request"}.get(message.role, "")
    frame = message.frame or (role if role else "")
    return {
        "key": f"{message.identifier_text}/{frame}/{message.remote}",
        "identifier": [message.identifier_text, message.identifier + (message.extended << 29)],
        "joint": [" or ".join(labels.get(joint, joint) for joint in message.joints) or "nobody"],
        "frame": [frame or "–"],
        "count": [format_thousands(message.count), message.count],
        "share": [_share_text(message.count / max(statistics.frames, 1)), message.count],
        "period": _time_cell(message.period_s),
        "jitter": _time_cell(message.jitter_95_s),
        "gap": _time_cell(message.longest_gap_s),
        "reason": [reason or "decoded"],
        "decoded": not reason,
    }


def _undecoded_reason(message: MessageStats) -> str:
    """Return why frames of an identifier are not decoded, empty if they are."""
    if message.frame is not None:
        return ""
    if message.remote:
        return "remote frame"
    if message.role == "request":
        return "a request, no answer"
    if message.joints:
        return "fits no frame of its layout"
    return "identifier of no joint"


def _time_cell(seconds: float | None) -> list[Any]:
    """Return a time in milliseconds with three significant digits, and the time to sort by."""
    if seconds is None:
        return ["–", None]
    ms = seconds * 1e3
    decimals = 0 if ms == 0 or ms >= 999.5 else 1 if ms >= 99.995 else 2 if ms >= 0.9995 else 3
    return [format_number(ms, decimals), seconds]


def _share_text(share: float) -> str:
    percent = share * 100
    return "< 0.1" if 0 < percent < 0.05 else format_number(percent, 1)
