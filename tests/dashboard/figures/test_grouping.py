"""Marks that cannot be told apart are one, and what somebody wrote stays what it is."""

from dashboard.figures.annotation_shapes import draw_annotations, lane_marks
from dashboard.figures.annotations import AlertSpan, Annotations, NoteLine
from dashboard.figures.axes import Axis
from dashboard.figures.grouping import count_text, group_alert_texts, merge_note_lines
from dashboard.text.theme import LIGHT

AXES = (Axis(low=0.0, high=1.0, ticks=()),)


def _event(at_s: float, text: str = "elbow position restarts") -> NoteLine:
    return NoteLine(at_s=at_s, text=text, is_written=False)


def test_repeats_are_one_mark_with_their_count():
    """A run of the same event is one, however long; others and a later one stand by themselves."""
    notes = [*(_event(k * 0.5) for k in range(13_000)), _event(7000.0), _event(3.0, "frames lost")]
    merged = merge_note_lines(notes, min_gap_s=1.0)
    assert [(note.at_s, note.end_s, count_text(note)) for note in merged] == [
        (0.0, 6499.5, "elbow position restarts, 13000 times"),
        (3.0, None, "frames lost"),
        (7000.0, None, "elbow position restarts"),
    ]


def test_what_somebody_wrote_is_never_merged():
    """Two notes of the same words within a pixel are two."""
    notes = (NoteLine(at_s=1.0, text="knocked"), NoteLine(at_s=1.0, text="knocked"))
    assert merge_note_lines(notes, min_gap_s=10.0) == notes


def test_events_are_ticks_and_notes_are_lines():
    """An event marks the top edge and hides no trace; a note goes through all rows."""
    notes = (NoteLine(at_s=1.0, text="fan off"), _event(2.0))
    annotations = Annotations(notes=notes)
    shapes = draw_annotations(
        annotations, AXES, now_s=9.0, theme=LIGHT, top_px=(400.0, 5.0), px_per_s=10.0
    )
    heights = {shape["x0"]: shape["y1"] - shape["y0"] for shape in shapes}
    assert heights[1.0] == 1
    assert heights[2.0] * 400 < 10
    assert [word["kind"] for word in lane_marks(annotations, px_per_s=10.0)] == ["note", "event"]


def _alert(start_s: float, end_s: float | None, text: str = "hot", mark: str = "abnormal"):
    return AlertSpan(row=0, start_s=start_s, end_s=end_s, mark=mark, text=text)


def test_what_chatters_is_said_once():
    """The same words near each other are one sentence with a count, and other words stay."""
    chatter = [_alert(k, k + 0.5) for k in range(9)]
    others = [_alert(3.0, 4.0, "tight"), _alert(4.0, 5.0, mark="danger"), _alert(100.0, None)]
    said = group_alert_texts([*chatter, *others], min_gap_s=2.0)
    assert [(span.start_s, span.end_s, count_text(span), span.mark) for span in said] == [
        (0, 8.5, "hot, 9 times", "abnormal"),
        (3.0, 4.0, "tight", "abnormal"),
        (4.0, 5.0, "hot", "danger"),
        (100.0, None, "hot", "abnormal"),
    ]
    both = group_alert_texts([_alert(0.0, None), _alert(5.0, 6.0)], min_gap_s=0.0)
    assert [(span.end_s, span.count) for span in both] == [(None, 2)]
