"""Addresses of Replay that open at what a figure of a sheet stands on. Pure."""

from typing import Final
from urllib.parse import quote, urlencode

from logger.findings.finding import FindingSpan
from replay.sheet.combining import Measured, SourcedQuantity

__all__ = ["overlay_address", "span_address"]

_MARGIN: Final = 0.1
"""Of the longer span, that is shown before and after both."""


def span_address(found: SourcedQuantity) -> str:
    """Return where the spans of a finding are shown; "" where their recording is gone."""
    if found.is_gone:
        return ""
    path = _path(found)
    spans = _spans_here(found)
    if not spans:
        return path
    begin, until = min(one.from_ns for one in spans), max(one.to_ns for one in spans)
    return f"{path}?{urlencode(_span_query(*_seconds(found, begin, until)))}"


def overlay_address(first: Measured, second: Measured) -> str:
    """Return where the traces of two values lie over each other, their spans begun together.

    Of each the newest finding that has a span, and its longest one: they were measured under like
    conditions, or there were no difference of them. "" where one has none.
    """
    of_first, of_second = _newest_span(first), _newest_span(second)
    if of_first is None or of_second is None:
        return ""
    (one, mine), (other, its) = of_first, of_second
    begin_s, until_s = _seconds(one, mine.from_ns, mine.to_ns)
    other_begin_s, other_until_s = _seconds(other, its.from_ns, its.to_ns)
    length_s = max(until_s - begin_s, other_until_s - other_begin_s)
    query = {
        "from": f"{max(begin_s - _MARGIN * length_s, 0.0):.3f}",
        "to": f"{begin_s + (1.0 + _MARGIN) * length_s:.3f}",
        **_span_query(begin_s, until_s),
        "over": other.recording,
        "shift": f"{begin_s - other_begin_s:.6f}",
        "over_joints": f"{one.finding.joint}:{other.finding.joint}",
    }
    return f"{_path(one)}?{urlencode(query)}"


def _newest_span(measured: Measured) -> tuple[SourcedQuantity, FindingSpan] | None:
    for found in reversed(measured.findings):
        spans = _spans_here(found)
        if spans and not found.is_gone:
            return found, max(spans, key=lambda span: span.to_ns - span.from_ns)
    return None


def _spans_here(found: SourcedQuantity) -> list[FindingSpan]:
    """Return the spans of a finding that do not end before the recording it was read from."""
    return [span for span in found.finding.spans if span.to_ns > found.started_ns]


def _path(found: SourcedQuantity) -> str:
    return f"/replay/{quote(found.recording)}"


def _seconds(found: SourcedQuantity, begin_ns: int, until_ns: int) -> tuple[float, float]:
    begin, until = (max(at - found.started_ns, 0) / 1e9 for at in (begin_ns, until_ns))
    return begin, until


def _span_query(begin_s: float, until_s: float) -> dict[str, str]:
    return {"span0": f"{begin_s:.3f}", "span1": f"{until_s:.3f}"}
