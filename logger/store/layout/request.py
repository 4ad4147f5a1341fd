"""A request to the writer of a recording, and the event that it becomes. Pure.

A note, an acknowledgement, a shelving and its end, other limits, a finding. Control characters are
removed from texts, which are shown on a terminal as well as on a page; a limits file and a finding
are kept verbatim.
"""

import math
import unicodedata
from typing import Annotated, Final, Literal, Self

from pydantic import (
    Field,
    StringConstraints,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticKnownError

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS, to_s
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.settings_file import Settings
from logger.store.layout.events import Event

__all__ = [
    "LIMITS_SUBMITTED",
    "MAX_FINDING_TEXT",
    "MAX_LIMITS_TEXT",
    "MAX_REQUEST_TEXT",
    "EventRequest",
    "new_request",
    "to_event",
]

MAX_REQUEST_TEXT: Final = 2000
MAX_LIMITS_TEXT: Final = 200_000
"""Most bytes of a submitted limits file."""
MAX_FINDING_TEXT: Final = 200_000
"""Most bytes of the JSON text of a finding."""
LIMITS_SUBMITTED: Final = "Handed over"
"""Beginning of the sentences of events about submitted limits."""


class EventRequest(Settings):
    """One request, as it is stored in the inbox."""

    format: Literal[1] = 1
    kind: Literal["note", "acknowledge", "shelve", "unshelve", "limits", "finding", "attachment"]
    # Stripped in `_check_text_length` instead, because a limits file is kept verbatim.
    text: Annotated[str, StringConstraints(strip_whitespace=False)] = ""
    alert: int = Field(default=0, ge=0, le=2**31)
    for_s: float = Field(default=0.0, ge=0, le=7 * 86400.0, allow_inf_nan=False)
    who: str = Field(default="", max_length=80)
    at_ns: int | None = Field(default=None, ge=TIME_MIN_NS, le=TIME_MAX_NS)
    """Of a note or an attachment: when that was which it tells of; None: when it is written."""
    finding: str | None = Field(default=None, pattern=r"^[0-9a-f]{32}$")
    """Id of a finding that is to be kept, which names its file."""
    attachment: str | None = Field(default=None, pattern=r"^[0-9a-f]{32}$")
    """Id of a file that is to be attached; its bytes wait in the inbox under their checksum."""
    sha256: str | None = Field(default=None, pattern=r"^[0-9a-f]{64}$")
    content: Annotated[str, StringConstraints(strip_whitespace=False)] | None = None
    """The JSON text of that finding or attachment, which is kept verbatim: it may be of a newer
    program."""
    joint: str | None = Field(default=None, max_length=40)
    """That a finding is of."""
    name: str = Field(default="", exclude=True)
    """Name of its file in the inbox, which is not part of the content; "": it has none."""

    @field_validator("text", mode="after")
    @classmethod
    def _check_text_length(cls, text: str, info: ValidationInfo) -> str:
        """Check the length of a text for its kind, and strip it unless it is a limits file."""
        # Encoding also refuses lone surrogates.
        length = len(text.encode())
        if info.data.get("kind") == "limits":
            if length > MAX_LIMITS_TEXT:
                raise PydanticKnownError("bytes_too_long", {"max_length": MAX_LIMITS_TEXT})
            return text
        text = text.strip()
        if len(text) > MAX_REQUEST_TEXT:
            raise PydanticKnownError("string_too_long", {"max_length": MAX_REQUEST_TEXT})
        return text

    @field_validator("content", mode="after")
    @classmethod
    def _check_content_length(cls, content: str | None) -> str | None:
        if content is not None and len(content.encode()) > MAX_FINDING_TEXT:
            raise PydanticKnownError("bytes_too_long", {"max_length": MAX_FINDING_TEXT})
        return content

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if self.kind == "finding" and not (self.finding and self.content):
            raise PydanticKnownError("missing")
        if self.kind == "attachment" and not (self.attachment and self.sha256 and self.content):
            raise PydanticKnownError("missing")
        return self

    @field_validator("text", "who", mode="before")
    @classmethod
    def _strip_controls(cls, raw_text: object, info: ValidationInfo) -> object:
        """Remove control characters, which would steer the terminal that shows the text."""
        verbatim = info.field_name == "text" and info.data.get("kind") == "limits"
        if not isinstance(raw_text, str) or verbatim:
            return raw_text
        printable_text = (
            " " if letter.isspace() else letter
            for letter in raw_text
            if letter.isspace() or unicodedata.category(letter) != "Cc"
        )
        return "".join(printable_text)


_EVENT_KIND_OF: Final = {
    "note": EventKind.NOTE,
    "acknowledge": EventKind.ACKNOWLEDGED,
    "shelve": EventKind.SHELVED,
    "unshelve": EventKind.UNSHELVED,
    "finding": EventKind.FINDING,
    "attachment": EventKind.ATTACHED,
}


_TELL_WHEN: Final = frozenset({"note", "attachment"})
"""What may tell of another time than its own."""


def new_request(
    *,
    kind: Literal["note", "acknowledge", "shelve", "unshelve", "limits"],
    text: str,
    alert: int = 0,
    for_s: float = 0.0,
    who: str,
    at_ns: int | None = None,
) -> EventRequest:
    """Return a request, checked.

    Raises
    ------
    InputError
        The text is too long, or a number out of its bounds.
    """
    try:
        return EventRequest(kind=kind, text=text, alert=alert, for_s=for_s, who=who, at_ns=at_ns)
    except ValidationError as fault:
        first = fault.errors()[0]
        raise InputError(f"{kind}: {first['loc'][0]}: {first['msg'].lower()}.") from None


def to_event(
    request: EventRequest,
    *,
    sequence: int,
    time_ns: int,
    limits: str = "",
    raised: Event | None = None,
) -> Event:
    """Return the event that a request becomes.

    Parameters
    ----------
    limits
        Text of the limits file in force in a recording without a recorder: tells whether submitted
        limits were still put into force. A recorder makes the events of submitted limits itself.
    time_ns
        When the request is taken; the time of its event, but for a note that names its own.
    raised
        The event that raised the alert of the request, None where that is not known.
    """
    if request.kind == "limits":
        is_in_force = request.text == limits
        return Event(
            sequence=sequence,
            time_ns=time_ns,
            kind=EventKind.LIMITS_TAKEN_OVER if is_in_force else EventKind.LIMITS_REFUSED,
            text=f"{LIMITS_SUBMITTED}: these limits are in force."
            if is_in_force
            else f"{LIMITS_SUBMITTED}, but the limits stay as they are: the recorder ended before "
            "it took them.",
            who=request.who,
            request=request.name,
        )
    tells_when = request.kind in _TELL_WHEN and request.at_ns is not None
    happened_ns = request.at_ns if tells_when and request.at_ns is not None else time_ns
    return Event(
        sequence=sequence,
        time_ns=happened_ns,
        kind=_EVENT_KIND_OF[request.kind],
        joint=(request.joint or "") if raised is None else raised.joint,
        limit="" if raised is None else raised.limit,
        severity="" if raised is None else raised.severity,
        alert=request.alert,
        channel="" if raised is None else raised.channel,
        value=math.nan if raised is None else raised.value,
        bus=None if raised is None else raised.bus,
        text=request.text,
        who=request.who,
        duration_s=_duration_s(request, time_ns=time_ns, raised=raised),
        request=request.name,
    )


def _duration_s(request: EventRequest, *, time_ns: int, raised: Event | None) -> float:
    """Return for how long a shelving is; of what else is done to an alert, since when it stands.

    Of a note that tells of an earlier time how long after that it was written.
    """
    if request.kind == "shelve":
        return request.for_s
    if request.kind in _TELL_WHEN and request.at_ns is not None:
        return to_s(time_ns - request.at_ns)
    return math.nan if raised is None else to_s(time_ns - raised.time_ns)
