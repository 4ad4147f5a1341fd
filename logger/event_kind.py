"""Every kind of event that a recording may hold, and its meaning in one sentence.

The values are those of the `kind` column of the events stream, a file format. A kind that a later
recorder wrote is read as a member named UNKNOWN that keeps its text: it is shown and counted, and
nothing acts on it. Pure; below limits and store, which both speak of events.
"""

from enum import StrEnum
from typing import Final, Self

__all__ = ["ANCHOR_WORDS", "EVENT_KIND_MEANINGS", "EventKind", "PositionAnchor"]


class EventKind(StrEnum):
    """The kind of an event."""

    STARTED = "started"
    CONTINUED = "continued"
    ENDED = "ended"
    NOTE = "note"
    FINDING = "finding kept"
    ATTACHED = "file attached"
    RAISED = "raised"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    DROPPED = "dropped"
    STANDSTILL = "standstill"
    GARBLED = "garbled lines"
    DAMAGED = "damaged frames"
    SKIPPED = "skipped frames"
    CLOCK_STEP = "clock step"
    BUS_LOST = "bus lost"
    BUS_BACK = "bus back"
    BUS_HINT = "bus hint"
    REFUSED = "refused"
    ASKED_SLOWER = "asked slower"
    NO_ANSWER = "no answer"
    ANSWERS_AGAIN = "answers again"
    UNANSWERED = "unanswered"
    POSITION_LOST = "position lost"
    POSITION_FOUND = "position found"
    STRANGE_VALUE = "strange value"
    MODEL_LEFT = "model left"
    MODEL_HOLDS_AGAIN = "model holds again"
    FAULT = "fault"
    STATE = "state"
    LIMITS_TAKEN_OVER = "limits taken over"
    LIMITS_REFUSED = "limits refused"
    LIMIT_NOT_JUDGED = "limit not judged"
    LIMIT_JUDGED_AGAIN = "limit judged again"
    STOP_ARMED = "stop armed"
    STOP_SENT = "stop sent"
    STOP_SEEN = "stop seen"
    STOP_UNSEEN = "stop unseen"
    NOTIFYING = "telling"
    NOTIFIED = "notified"
    STAGE_BEGUN = "stage begun"
    STAGE_ENDED = "stage ended"
    PLAN_DONE = "plan done"
    CYCLES_MISSING = "cycles missing"
    CYCLES_AGAIN = "cycles again"
    DAY_OVER = "day over"
    FRAMES_LET_GO = "frames let go"
    DISK_FORECAST = "disk forecast"
    DISK_SHORT = "disk short"
    PARTS_WAIT = "parts wait"
    ROWS_LOST = "rows lost"

    @classmethod
    def _missing_(cls, value: object) -> Self | None:
        """Return a member that keeps the text of a kind that this program does not know."""
        if not isinstance(value, str):
            return None
        unknown = str.__new__(cls, value)
        unknown._name_ = "UNKNOWN"
        unknown._value_ = value
        return unknown

    @property
    def is_known(self) -> bool:
        """Whether this program knows the kind; a later recorder may have written others."""
        return self._name_ != "UNKNOWN"


EVENT_KIND_MEANINGS: Final[dict[EventKind, str]] = {
    EventKind.STARTED: "Recording started.",
    EventKind.CONTINUED: "Recording resumed after `duration_s` without a recorder (none: unknown).",
    EventKind.ENDED: "Recording ended, and why.",
    EventKind.NOTE: "A note in someone's own words (`duration_s`: how long after the time that it "
    "tells of it was written; none: then).",
    EventKind.FINDING: "A result of an evaluation was kept in `findings/`.",
    EventKind.ATTACHED: "A file was attached, at the time that it shows (`duration_s`: how long "
    "after that).",
    EventKind.RAISED: "A limit was raised: an alert begins.",
    EventKind.RETURNED: "The condition of an alert has cleared.",
    EventKind.ACKNOWLEDGED: "Someone acknowledged an alert.",
    EventKind.SHELVED: "Someone shelved a warning for a stated time (`duration_s`).",
    EventKind.UNSHELVED: "Someone ended the shelving of a warning.",
    EventKind.DROPPED: "Frames were lost before they could be stored (`value`: how many; "
    "`duration_s`: within how long before; none: unknown).",
    EventKind.STANDSTILL: "The recorder did not read a bus (`duration_s`): it was paused, or the "
    "computer suspended (`value`: frames lost and not told of otherwise; none: unknown).",
    EventKind.GARBLED: "Lines or frames of an adapter could not be read (`value`: how many).",
    EventKind.DAMAGED: "Frames of a joint came damaged: their checksum is wrong. They are stored "
    "and not decoded (`value`: how many).",
    EventKind.SKIPPED: "A counter in the frames of a joint skipped: frames were lost on their way "
    "(`value`: at least how many).",
    EventKind.CLOCK_STEP: "The wall clock was set.",
    EventKind.BUS_LOST: "A bus cannot be reached; the recorder keeps trying.",
    EventKind.BUS_BACK: "A bus can be reached again.",
    EventKind.BUS_HINT: "A diagnosis of a bus from its statistics, and where to look.",
    EventKind.REFUSED: "Polling ended on a bus: another node sends the recorder's identifiers.",
    EventKind.ASKED_SLOWER: "Requests exceed their share of a bus: they are sent less often.",
    EventKind.NO_ANSWER: "A joint stopped answering requests.",
    EventKind.ANSWERS_AGAIN: "A joint answers again.",
    EventKind.UNANSWERED: "Requests of a joint without an answer (`value`: how many), at the end.",
    EventKind.POSITION_LOST: "The turns of an encoder are unknown: position begins a new segment.",
    EventKind.POSITION_FOUND: "Lost turns are known again (`anchor`: by what), in a new segment.",
    EventKind.STRANGE_VALUE: "A channel had a value outside its valid range; reported once.",
    EventKind.MODEL_LEFT: "A joint's temperatures have left the band of its model of heat.",
    EventKind.MODEL_HOLDS_AGAIN: "They are within it again (`duration_s`: after how long).",
    EventKind.FAULT: "A joint reports a fault, or that it cleared (`value`: the code).",
    EventKind.STATE: "A joint reports its state (`value`: the code).",
    EventKind.LIMITS_TAKEN_OVER: "Other limits apply from here on.",
    EventKind.LIMITS_REFUSED: "Other limits are invalid; the present ones stay in force.",
    EventKind.LIMIT_NOT_JUDGED: "A limit is not judged: readings that it needs do not come "
    "(`duration_s`: since when).",
    EventKind.LIMIT_JUDGED_AGAIN: "A limit is judged again (`duration_s`: after how long).",
    EventKind.STOP_ARMED: "The joints to which a stop frame is sent on a trip.",
    EventKind.STOP_SENT: "A stop frame was sent (`duration_s`: after the trip).",
    EventKind.STOP_SEEN: "A joint stopped after its stop frame (`duration_s`: after it was sent).",
    EventKind.STOP_UNSEEN: "Recording ended before a stop frame was seen to work or fail.",
    EventKind.NOTIFYING: "Someone (`who`) cannot be told yet of an alert, or can be told again.",
    EventKind.NOTIFIED: "Someone (`who`) was told that an alert was raised.",
    EventKind.STAGE_BEGUN: "A stage of the plan begins (`stage`; `value`: cycles before it).",
    EventKind.STAGE_ENDED: "A stage of the plan has ended (`stage`; `value`: cycles in it; "
    "`duration_s`: how long it took).",
    EventKind.PLAN_DONE: "All stages of the plan have ended (`value`: cycles so far).",
    EventKind.CYCLES_MISSING: "No cycle has ended for long (`duration_s`), in `stage`.",
    EventKind.CYCLES_AGAIN: "Cycles end again (`duration_s`: after how long).",
    EventKind.DAY_OVER: "A day of the campaign is over (`value`: cycles so far).",
    EventKind.FRAMES_LET_GO: "Raw frames older than the plan keeps them were let go (`value`: how "
    "many; `duration_s`: from the first of them to the last).",
    EventKind.DISK_FORECAST: "The disk lasts for the whole plan, or it is too early to say "
    "(`value`: the room that it still takes over the room that is free, none: only bounds are "
    "known; `duration_s`: how long it still takes).",
    EventKind.DISK_SHORT: "The disk may not last for the whole plan, or does not (`value`, "
    "`duration_s`: as above).",
    EventKind.PARTS_WAIT: "Parts could not be made for now: the rows stay in the journal.",
    EventKind.ROWS_LOST: "The disk gave back other bytes than were written: rows were lost.",
}
"""One sentence for each kind."""


class PositionAnchor(StrEnum):
    """By what a position segment was found to continue the one before the turns were lost.

    The values are those of the `anchor` column of the events stream, a file format.
    """

    STANDSTILL = "standstill"
    SETPOINTS = "set-points"


ANCHOR_WORDS: Final[dict[str, str]] = {
    PositionAnchor.STANDSTILL: "it stood still at its set-point",
    PositionAnchor.SETPOINTS: "it follows its set-points as before",
}
"""Each in words: why the turns are known."""
