"""What a page may ask to have written: a note, an acknowledgement, a shelving.

Each becomes a request to the recording's one writer (`logger.store.writing.inbox`); nothing is
written from
here. Answers are {"done": true} or {"fault": sentence}.
"""

from typing import Annotated, Literal

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from dashboard.server.json_requests import RefusedError, fault, posted
from dashboard.server.origin_check import Guard
from dashboard.server.recording_cache import Shelf
from logger.errors import DutytraceError, InputError
from logger.store.writing import inbox

__all__ = ["ASK_PATH", "add_ask_route"]

ASK_PATH = "/ask"
BODY_MOST = 8000


class _Ask(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    recording: str
    kind: Literal["note", "acknowledge", "shelve", "unshelve"]
    text: Annotated[str, Field(max_length=500)] = ""
    alert: Annotated[int, Field(ge=0)] = 0
    for_s: Annotated[float, Field(ge=0, le=86400.0)] = 0.0
    who: Annotated[str, Field(max_length=60)] = ""


def add_ask_route(server: FastAPI, shelf: Shelf, guard: Guard) -> None:
    """Add the POST route."""

    async def ask(request: Request) -> JSONResponse:
        try:
            asked = await posted(request, guard, _Ask, most=BODY_MOST)
        except RefusedError as refused:
            return refused.answer()
        if asked.kind == "note" and not asked.text:
            return fault(400, "The note is empty: write what you did or saw.")
        try:
            inbox.post(
                shelf.path(asked.recording),
                kind=asked.kind,
                text=asked.text,
                alert=asked.alert,
                for_s=asked.for_s,
                who=asked.who,
            )
        except InputError as wrong:
            return fault(404, str(wrong))
        except (DutytraceError, OSError) as wrong:
            return fault(500, f"It could not be written: {wrong}")
        return JSONResponse({"done": True})

    server.add_api_route(ASK_PATH, ask, methods=["POST"], response_model=None)
