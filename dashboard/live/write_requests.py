"""The route by which a page writes: a note, an acknowledgement, a shelving.

Each becomes a request to the one writer of the recording (`logger.store.writing.inbox`), which
writes it. Answers are {"done": true} or {"fault": sentence}.
"""

from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, FastAPI
from pydantic import BaseModel, ConfigDict, Field

from dashboard.server.dependencies import Recordings, json_body
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import RefusedError
from logger.arrays import to_ns
from logger.errors import DutytraceError, InputError
from logger.store.layout.manifest import read_manifest
from logger.store.repair.post_request import submit_request

__all__ = ["add_write_request_route"]

MAX_WRITE_REQUEST_BYTES = 8000
live_routes = APIRouter()


class _WriteRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    recording: str
    kind: Literal["note", "acknowledge", "shelve", "unshelve"]
    text: Annotated[str, Field(max_length=500)] = ""
    alert: Annotated[int, Field(ge=0)] = 0
    for_s: Annotated[float, Field(ge=0, le=86400.0)] = 0.0
    who: Annotated[str, Field(max_length=60)] = ""
    at_s: Annotated[float | None, Field(ge=0, le=1e9, allow_inf_nan=False)] = None
    """Of a note: which time it tells of, in s since the start; None: now."""


@live_routes.post("/api/requests")
def post_request(
    body: Annotated[_WriteRequest, Depends(json_body(_WriteRequest, most=MAX_WRITE_REQUEST_BYTES))],
    recordings: Recordings,
) -> JsonAnswer:
    """Pass a request to the writer of a recording."""
    if body.kind == "note" and not body.text:
        raise RefusedError(400, "The note is empty: write what you did or saw.")
    try:
        path = recordings.find_path(body.recording)
        submit_request(
            path,
            kind=body.kind,
            text=body.text,
            alert=body.alert,
            for_s=body.for_s,
            who=body.who,
            at_ns=None if body.at_s is None else _instant_of(path, body.at_s),
        )
    except InputError as error:
        raise RefusedError(404, error) from None
    except (DutytraceError, OSError) as error:
        raise RefusedError(500, f"It could not be written: {error}") from None
    return JsonAnswer({"done": True})


def _instant_of(recording: Path, at_s: float) -> int:
    """Return an instant of a recording from seconds since its start, none beyond its end."""
    manifest = read_manifest(recording)
    at_ns = manifest.started_ns + to_ns(at_s)
    return at_ns if manifest.ended_ns is None else min(at_ns, manifest.ended_ns)


def add_write_request_route(server: FastAPI) -> None:
    """Add the POST route; not called where the pages are read-only."""
    server.include_router(live_routes)
