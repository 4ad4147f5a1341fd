"""What a page may ask to have written: a note, an acknowledgement, a shelving.

Each becomes a request to the recording's one writer (`logger.store.inbox`); nothing is written from
here. Answers are {"done": true} or {"fault": sentence}.
"""

from typing import Annotated, Literal

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dashboard.guard import Guard
from dashboard.shelf import Shelf
from logger.errors import DutytraceError, InputError
from logger.store import inbox

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
        if not guard.welcome(request.headers):
            return _fault(403, "This request does not come from a page of this server.")
        body = await request.body()
        if len(body) > BODY_MOST:
            return _fault(413, f"The request is longer than {BODY_MOST} bytes.")
        try:
            asked = _Ask.model_validate_json(body)
        except ValidationError as fault:
            first = fault.errors()[0]
            key = ".".join(str(part) for part in first["loc"]) or "request"
            return _fault(400, f"{key}: {first['msg']}.")
        if asked.kind == "note" and not asked.text:
            return _fault(400, "The note is empty: write what you did or saw.")
        try:
            inbox.post(
                shelf.path(asked.recording),
                kind=asked.kind,
                text=asked.text,
                alert=asked.alert,
                for_s=asked.for_s,
                who=asked.who,
            )
        except InputError as fault:
            return _fault(404, str(fault))
        except (DutytraceError, OSError) as fault:
            return _fault(500, f"It could not be written: {fault}")
        return JSONResponse({"done": True})

    server.add_api_route(ASK_PATH, ask, methods=["POST"], response_model=None)


def _fault(status: int, sentence: str) -> JSONResponse:
    return JSONResponse({"fault": sentence}, status_code=status)
