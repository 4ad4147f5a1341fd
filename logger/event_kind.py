"""Every kind of event that a recording may hold, and in a sentence what each tells.

The values are what stands in the `kind` column of the events stream. A kind that a later recorder
wrote is read as a member named UNKNOWN that keeps its text: it is shown and counted, and nothing
here acts on it. Pure; below limits and store, which both speak of events.
"""

from enum import StrEnum
from typing import Final, Self

__all__ = ["EVENT_KIND_MEANINGS", "EventKind"]


class EventKind(StrEnum):
    """What an event tells."""

    STARTED = "started"
    CONTINUED = "continued"
    ENDED = "ended"
    NOTE = "note"
    RAISED = "raised"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    DROPPED = "dropped"
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
    STRANGE_VALUE = "strange value"
    FAULT = "fault"
    STATE = "state"
    LIMITS_TAKEN_OVER = "limits taken over"
    LIMITS_REFUSED = "limits refused"
    LIMIT_NOT_JUDGED = "limit not judged"
    STOP_ARMED = "stop armed"
    STOP_SENT = "stop sent"
    STOP_SEEN = "stop seen"
    STOP_UNSEEN = "stop unseen"
    TELLING = "telling"

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
    EventKind.CONTINUED: "Recording goes on after a pause without a recorder (`duration_s`).",
    EventKind.ENDED: "Recording ended, and why.",
    EventKind.NOTE: "What somebody did or saw, in their words.",
    EventKind.RAISED: "A limit was raised: an alert begins.",
    EventKind.RETURNED: "What an alert was raised for is over.",
    EventKind.ACKNOWLEDGED: "Somebody took note of an alert.",
    EventKind.SHELVED: "Somebody put a warning aside for a stated time (`duration_s`).",
    EventKind.UNSHELVED: "Somebody ended the shelving of a warning.",
    EventKind.DROPPED: "Frames were lost before they could be stored (`value`: how many).",
    EventKind.CLOCK_STEP: "The wall clock was set, or the computer slept.",
    EventKind.BUS_LOST: "A bus cannot be reached; it is tried again.",
    EventKind.BUS_BACK: "A bus can be reached again.",
    EventKind.BUS_HINT: "What the figures of a bus look like, and where to look.",
    EventKind.REFUSED: "Nothing is asked on a bus any more: somebody else sends our identifiers.",
    EventKind.ASKED_SLOWER: "Requests do not fit into their share of a bus: sent less often.",
    EventKind.NO_ANSWER: "A joint answers no request any more.",
    EventKind.ANSWERS_AGAIN: "A joint answers again.",
    EventKind.UNANSWERED: "How many requests a joint left without an answer (`value`), at the end.",
    EventKind.POSITION_LOST: "An encoder's turns are not known: position begins a new segment.",
    EventKind.STRANGE_VALUE: "A channel had a value outside its valid range; told once.",
    EventKind.FAULT: "A joint reports a fault, or that it is gone (`value`: the code).",
    EventKind.STATE: "A joint reports its state (`value`: the code).",
    EventKind.LIMITS_TAKEN_OVER: "Other limits are in force from here on.",
    EventKind.LIMITS_REFUSED: "Other limits do not fit; those in force stay.",
    EventKind.LIMIT_NOT_JUDGED: "Readings come too seldom for a limit: it cannot be judged.",
    EventKind.STOP_ARMED: "To which joints a stop frame is sent on a trip.",
    EventKind.STOP_SENT: "A stop frame was sent (`duration_s`: after the trip).",
    EventKind.STOP_SEEN: "A joint stopped after its stop frame (`duration_s`: after it was sent).",
    EventKind.STOP_UNSEEN: "Recording ended before it showed whether a stop frame worked.",
    EventKind.TELLING: "Somebody who is to be told of alerts could not be told.",
}
"""One sentence for each kind."""
