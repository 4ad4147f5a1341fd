"""The routes of the Layout page: a proposal from a recording's traffic, and the layout it makes.

Nothing is written here: the layout that a person decided on is handed to the browser as a file.
"""

from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Depends, FastAPI, Query, Request
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dashboard.found_layout.proposed import FoundLayouts
from dashboard.found_layout.question import LayoutQuery
from dashboard.found_layout.view import proposal_view, steps_view
from dashboard.server.dependencies import OpenRecording, PageName, json_body
from dashboard.server.job_queue import JobQueue
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import RefusedError
from dashboard.server.queries import FigureQuery, UnitsQuery, ZoneQuery
from dashboard.text.format import format_date_time, format_duration
from logger.arrays import to_s
from logger.errors import InputError
from logger.layout_tools.decided_layout import layout_text
from logger.layout_tools.proposal_file import (
    ProposalFile,
    decide,
    proposal_file_text,
)

__all__ = ["add_layout_routes"]

MAX_DECIDE_BYTES: Final = 400_000
layout_routes = APIRouter(prefix="/api/layout")


class _Query(LayoutQuery, FigureQuery, ZoneQuery, UnitsQuery):
    """A question, and how it is shown."""


class _Decision(BaseModel):
    model_config = ConfigDict(extra="forbid")

    number: int
    state: Literal["confirmed", "left out"]
    channel: str = ""
    scale: float | None = None
    offset: float = 0.0


class _DecideRequest(BaseModel):
    model_config = ConfigDict(extra="forbid")

    file: dict[str, Any]
    name: str = Field(max_length=60)
    by: str = Field(max_length=80)
    decisions: tuple[_Decision, ...] = Field(max_length=200)


async def _found_layouts(request: Request) -> FoundLayouts:
    found: FoundLayouts = request.app.state.found_layouts
    return found


@layout_routes.get("/{name}")
def show_proposal(
    recording: OpenRecording,
    *,
    layouts: Annotated[FoundLayouts, Depends(_found_layouts)],
    page: PageName,
    query: Annotated[_Query, Query()],
) -> JsonAnswer:
    """Answer the steps as they are marked; where it is asked for, what they propose."""
    length_s = to_s(recording.end_ns - recording.start_ns)
    begun = format_date_time(recording.start_ns, query.time_zone)
    content: dict[str, Any] = {
        "path": recording.path.name,
        "name": recording.name,
        "live": recording.live,
        "when": f"{begun}, {format_duration(length_s)}",
        "length_s": length_s,
        "buses": [one.name for one in recording.bench.buses],
        "steps": steps_view({}),
        "state": "marking",
        "refused": "",
        "proposal": None,
    }
    try:
        content["steps"] = steps_view(query.steps())
        if not query.find:
            return JsonAnswer(content)
        asked = query.asked(recording.path, len(recording.bench.buses))
        found = layouts.find(asked, recording, page=page)
    except InputError as fault:
        return JsonAnswer({**content, "state": "refused", "refused": str(fault)})
    if found is None:
        return JsonAnswer({**content, "state": "finding"})
    view = proposal_view(found, asked, theme=query.colours, displays=query.displays)
    return JsonAnswer({**content, "state": "found", "proposal": view})


@layout_routes.post("/decide")
def decide_proposal(
    body: Annotated[_DecideRequest, Depends(json_body(_DecideRequest, most=MAX_DECIDE_BYTES))],
) -> JsonAnswer:
    """Answer the layout that a person's decisions make, and the proposal with them in it."""
    if not body.by.strip():
        raise RefusedError(400, "found no name, expected that of whoever decides.")
    try:
        file = _with_corrections(body)
        kept = frozenset(one.number for one in body.decisions if one.state == "confirmed")
        left = frozenset(one.number for one in body.decisions if one.state == "left out")
        now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S")
        decided = decide(file, confirm=kept, leave_out=left, by=body.by.strip(), on=now)
        text, bench = layout_text(decided, file.name)
    except ValidationError as fault:
        raise RefusedError(400, f"This is no proposal: {fault.errors()[0]['msg']}") from None
    except InputError as fault:
        raise RefusedError(400, fault) from None
    return JsonAnswer(
        {
            "name": decided.name,
            "layout": text,
            "proposal": proposal_file_text(decided),
            "bench": bench,
        }
    )


def _with_corrections(body: _DecideRequest) -> ProposalFile:
    """Return the proposal with what the person changed; ValidationError where it is none."""
    file = ProposalFile.model_validate({**body.file, "name": body.name.strip()})
    changes = {one.number: one for one in body.decisions if one.state == "confirmed"}
    kinds, number = [], 0
    for kind in file.kind:
        values = []
        for value in kind.value:
            number += 1
            change = changes.get(number)
            keys = (
                {"channel": change.channel, "scale": change.scale, "offset": change.offset}
                if change is not None
                else {}
            )
            values.append(value.model_copy(update=keys))
        kinds.append(kind.model_copy(update={"value": tuple(values)}))
    return file.model_copy(update={"kind": tuple(kinds)})


def add_layout_routes(server: FastAPI, *, jobs: JobQueue) -> None:
    """Add the routes; `jobs` runs the search for a proposal."""
    server.state.found_layouts = FoundLayouts(jobs)
    server.include_router(layout_routes)
