"""What joints say in words, and no more of it than a person can read."""

from logger.event_kind import EventKind
from logger.joint.decode.text_codes import Notice
from logger.recording.notice_throttle import MAX_NOTICES_PER_SPAN, THROTTLE_SPAN_NS, NoticeThrottle


def _notice(at_ns: int, joint: str = "a") -> Notice:
    return Notice(
        time_ns=at_ns,
        joint=joint,
        kind=EventKind.FAULT,
        channel="",
        value=1.0,
        frame="emergency",
        text=f"at {at_ns}",
    )


def test_the_first_are_told_and_the_rest_counted():
    """A flood of one joint neither fills the recording nor silences another joint."""
    outspoken = NoticeThrottle()
    said = outspoken.filter_notices([_notice(at) for at in range(1000)])
    assert [one.text for one in said] == [f"at {at}" for at in range(MAX_NOTICES_PER_SPAN)]
    assert outspoken.take_summaries(THROTTLE_SPAN_NS - 1) == []
    assert len(outspoken.filter_notices([_notice(5000, "b")])) == 1
    (rest,) = outspoken.take_summaries(THROTTLE_SPAN_NS)
    assert rest.text == "a: 980 more messages were not listed one by one; all frames are stored."
    assert outspoken.take_summaries(2 * THROTTLE_SPAN_NS) == []


def test_the_next_ten_seconds_begin_anew():
    """What was counted is told before what is new, in order of time."""
    outspoken = NoticeThrottle()
    outspoken.filter_notices([_notice(at) for at in range(MAX_NOTICES_PER_SPAN + 1)])
    said = outspoken.filter_notices([_notice(THROTTLE_SPAN_NS + 1)])
    assert [one.text for one in said] == [
        "a: 1 more message was not listed one by one; all frames are stored.",
        f"at {THROTTLE_SPAN_NS + 1}",
    ]
    assert [one.time_ns for one in said] == [THROTTLE_SPAN_NS + 1] * 2


def test_at_the_end_nothing_is_left_untold():
    """However short the recording was."""
    outspoken = NoticeThrottle()
    outspoken.filter_notices([_notice(at) for at in range(MAX_NOTICES_PER_SPAN + 3)])
    (rest,) = outspoken.take_summaries(100, is_end=True)
    assert rest.value == 3
