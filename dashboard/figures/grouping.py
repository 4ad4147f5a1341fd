"""Annotations that cannot be told apart are drawn as one, with their count. Pure."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

from dashboard.figures.annotations import AlertSpan, NoteLine

__all__ = ["count_text", "group_alert_texts", "merge_alert_spans", "merge_note_lines"]


def merge_alert_spans(spans: Sequence[AlertSpan], *, min_gap_s: float) -> tuple[AlertSpan, ...]:
    """Return spans with those of the same row and mark merged that are closer than `min_gap_s`.

    Spans closer than a pixel cannot be distinguished, and thousands would take a browser seconds.
    """
    merged: list[AlertSpan] = []
    newest: dict[tuple[int | None, str], int] = {}
    for span in sorted(spans, key=lambda span: span.start_s):
        key = (span.row, span.mark)
        index = newest.get(key)
        end_s = merged[index].end_s if index is not None else None
        if index is None or end_s is None or span.end_s is None or span.start_s - end_s > min_gap_s:
            newest[key] = len(merged)
            merged.append(span)
            continue
        previous = merged[index]
        same_limit = (span.limit, span.joint) == (previous.limit, previous.joint)
        merged[index] = replace(
            previous,
            end_s=max(end_s, span.end_s),
            count=previous.count + span.count,
            text=previous.text if span.text == previous.text else "",
            limit=previous.limit if same_limit else "",
        )
    return tuple(merged)


def group_alert_texts(spans: Sequence[AlertSpan], *, min_gap_s: float) -> tuple[AlertSpan, ...]:
    """Return what is said of spans: those that say the same within `min_gap_s` are said once.

    An alert that chatters would fill the lane with one sentence, and hide what else was raised.
    """
    grouped: list[AlertSpan] = []
    in_order = sorted(spans, key=lambda span: (span.mark, span.text, span.start_s))
    for _, alike in groupby(in_order, key=lambda span: (span.mark, span.text)):
        newest: AlertSpan | None = None
        for span in alike:
            if newest is None or (
                newest.end_s is not None and span.start_s - newest.end_s > min_gap_s
            ):
                grouped += [newest] if newest is not None else []
                newest = span
                continue
            ends = (newest.end_s, span.end_s)
            end_s = None if None in ends else max(end for end in ends if end is not None)
            newest = replace(newest, end_s=end_s, count=newest.count + span.count)
        grouped += [newest] if newest is not None else []
    return tuple(sorted(grouped, key=lambda span: span.start_s))


def merge_note_lines(notes: Sequence[NoteLine], *, min_gap_s: float) -> tuple[NoteLine, ...]:
    """Return notes with those events merged that say the same within `min_gap_s` of each other.

    What somebody wrote is never merged.
    """
    merged: list[NoteLine] = []
    newest: dict[str, int] = {}
    for note in sorted(notes, key=lambda note: note.at_s):
        index = None if note.is_written else newest.get(note.text)
        if index is not None:
            first = merged[index]
            if note.at_s - (first.at_s if first.end_s is None else first.end_s) <= min_gap_s:
                merged[index] = replace(first, end_s=note.at_s, count=first.count + note.count)
                continue
        if not note.is_written:
            newest[note.text] = len(merged)
        merged.append(note)
    return tuple(merged)


def count_text(mark: AlertSpan | NoteLine) -> str:
    """Return what is said of a mark, with how many it stands for."""
    if mark.count == 1:
        return mark.text
    return f"{mark.text}, {mark.count} times" if mark.text else f"{mark.count} alerts"
