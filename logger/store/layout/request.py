"""What can be asked of the writer of a recording, and the event that it becomes. Pure.

A note, an acknowledgement, a shelving and its end, other limits. What is shown on a terminal as
well as on a page loses what would steer one; a limits file is kept to the last blank.
"""

import math
import unicodedata
from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints, ValidationError, ValidationInfo, field_validator
from pydantic_core import PydanticKnownError

from logger.errors import InputError
from logger.event_kind import EventKind
from logger.settings_file import Settings
from logger.store.layout.events import Event

__all__ = [
    "LIMITS_SUBMITTED",
    "MAX_LIMITS_TEXT",
    "MAX_REQUEST_TEXT",
    "EventRequest",
    "new_request",
    "to_event",
]

MAX_REQUEST_TEXT: Final = 2000
MAX_LIMITS_TEXT: Final = 200_000
"""Bytes of a limits file that is handed over."""
LIMITS_SUBMITTED: Final = "Handed over"
"""How the sentences begin of limits that were handed over."""


class EventRequest(Settings):
    """One request, as it lies in the inbox."""

    format: Literal[1] = 1
    kind: Literal["note", "acknowledge", "shelve", "unshelve", "limits"]
    # Stripped by `_check_text_length`, for a limits file is kept to the last blank.
    text: Annotated[str, StringConstraints(strip_whitespace=False)] = ""
    alert: int = Field(default=0, ge=0, le=2**31)
    for_s: float = Field(default=0.0, ge=0, le=7 * 86400.0, allow_inf_nan=False)
    who: str = Field(default="", max_length=80)
    name: str = Field(default="", exclude=True)
    """Of its file in the inbox, which says it; "": it never lay there."""

    @field_validator("text", mode="after")
    @classmethod
    def _check_text_length(cls, text: str, info: ValidationInfo) -> str:
        """Hold a text against what its kind allows."""
        # Also refuses what UTF-8 cannot write.
        length = len(text.encode())
        if info.data.get("kind") == "limits":
            if length > MAX_LIMITS_TEXT:
                raise PydanticKnownError("bytes_too_long", {"max_length": MAX_LIMITS_TEXT})
            return text
        text = text.strip()
        if len(text) > MAX_REQUEST_TEXT:
            raise PydanticKnownError("string_too_long", {"max_length": MAX_REQUEST_TEXT})
        return text

    @field_validator("text", "who", mode="before")
    @classmethod
    def _strip_controls(cls, raw_text: object, info: ValidationInfo) -> object:
        """Take out what would steer a terminal: it is shown there as well as on a page."""
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
}


def new_request(
    *,
    kind: Literal["note", "acknowledge", "shelve", "unshelve", "limits"],
    text: str,
    alert: int = 0,
    for_s: float = 0.0,
    who: str,
) -> EventRequest:
    """Return a request of these words.

    Raises
    ------
    InputError
        They are too long, or out of their bounds.
    """
    try:
        return EventRequest(kind=kind, text=text, alert=alert, for_s=for_s, who=who)
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

    `raised`: the event that raised the alert which it is about, None where that is not known.
    `limits`: the limits file in force where nobody writes any more, which only a request with
    limits is held against; a recorder that runs makes the events of those itself.
    """
    if request.kind == "limits":
        is_in_force = request.text == limits
        return Event(
            sequence=sequence,
            time_ns=time_ns,
            kind=EventKind.LIMITS_TAKEN_OVER if is_in_force else EventKind.LIMITS_REFUSED,
            text=f"{LIMITS_SUBMITTED}: these limits are in force."
            if is_in_force
            else f"{LIMITS_SUBMITTED}, but the limits stay as they are: the recorder ended before it "
            "took them.",
            who=request.who,
            request=request.name,
        )
    return Event(
        sequence=sequence,
        time_ns=time_ns,
        kind=_EVENT_KIND_OF[request.kind],
        joint="" if raised is None else raised.joint,
        limit="" if raised is None else raised.limit,
        severity="" if raised is None else raised.severity,
        alert=request.alert,
        bus=None if raised is None else raised.bus,
        text=request.text,
        who=request.who,
        duration_s=request.for_s if request.kind == "shelve" else math.nan,
        request=request.name,
    )
