"""What a page may ask to have written: a note, an acknowledgement, a shelving.

Each becomes a request to the recording's one writer (`logger.store.writing.inbox`); nothing is
written from
here. Answers are {"done": true} or {"fault": sentence}.
"""

from typing import Annotated, Literal

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from dashboard.server.json_requests import RefusedError, error_response, read_request
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache
from logger.errors import DutytraceError, InputError
from logger.store.repair.post_request import submit_request

__all__ = ["WRITE_REQUEST_PATH", "add_write_request_route"]

WRITE_REQUEST_PATH = "/ask"
MAX_WRITE_REQUEST_BYTES = 8000


class _WriteRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    recording: str
    kind: Literal["note", "acknowledge", "shelve", "unshelve"]
    text: Annotated[str, Field(max_length=500)] = ""
    alert: Annotated[int, Field(ge=0)] = 0
    for_s: Annotated[float, Field(ge=0, le=86400.0)] = 0.0
    who: Annotated[str, Field(max_length=60)] = ""


def add_write_request_route(server: FastAPI, cache: RecordingCache, guard: OriginPolicy) -> None:
    """Add the POST route."""

    async def post_request(request: Request) -> JSONResponse:
        try:
            body = await read_request(
                request, guard, _WriteRequest, max_bytes=MAX_WRITE_REQUEST_BYTES
            )
        except RefusedError as refused:
            return refused.to_response()
        if body.kind == "note" and not body.text:
            return error_response(400, "The note is empty: write what you did or saw.")
        try:
            submit_request(
                cache.find_path(body.recording),
                kind=body.kind,
                text=body.text,
                alert=body.alert,
                for_s=body.for_s,
                who=body.who,
            )
        except InputError as error:
            return error_response(404, str(error))
        except (DutytraceError, OSError) as error:
            return error_response(500, f"It could not be written: {error}")
        return JSONResponse({"done": True})

    server.add_api_route(WRITE_REQUEST_PATH, post_request, methods=["POST"], response_model=None)
