"""The route of a planned motion on a fitted joint: what-if, from the text of a CSV file.

A POST, because a file does not fit into an address; it writes nothing, and a read-only server
allows it. Of the text only names of columns and numbers are read.
"""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, FastAPI

from dashboard.heat.duty_routes import held_limit_degC
from dashboard.heat.fits import HeatFits
from dashboard.heat.motion_request import MOTION_PATH, MotionRequest
from dashboard.heat.routes import heat_fits
from dashboard.heat.view import clipped_ambient_degC
from dashboard.server.dependencies import PageName, Recordings, json_body
from dashboard.server.json_answer import JsonAnswer
from logger.errors import InputError
from logger.outside_text import printable
from replay.heat.planning.motion_table import motion_of_text
from replay.heat.planning.planned_heat import plan_heat
from replay.heat.planning.planned_words import planned_lines, planned_parts, planned_sentence

__all__ = ["add_motion_routes"]

MAX_REQUEST_BYTES = 400_000
motion_routes = APIRouter()
_question = json_body(MotionRequest, most=MAX_REQUEST_BYTES)


@motion_routes.post(MOTION_PATH)
def show_motion(
    *,
    recordings: Recordings,
    fits: Annotated[HeatFits, Depends(heat_fits)],
    page: PageName,
    query: Annotated[MotionRequest, Depends(_question)],
) -> JsonAnswer:
    """Answer what a joint does under a motion, or why that cannot be told."""
    recording = recordings.open_recording(query.recording)
    name = printable(query.file)
    try:
        motion = motion_of_text(query.text, name=name, where=name)
        asked = query.asked(recording, query.joint, recordings)
        kept = fits.find(asked.request, asked.recordings, page=page)
        if kept is None:
            return JsonAnswer({"state": "fitting"})
        planned = plan_heat(
            kept.fit,
            motion,
            limit_degC=held_limit_degC(recording, kept.fit, query.limit),
            ambient_degC=clipped_ambient_degC(query.room)
            if kept.fit.has_room
            else kept.fit.idle_degC,
            passes=query.times,
            factor=query.factor,
            stretch=query.stretch,
        )
    except InputError as fault:
        return JsonAnswer({"state": "refused", "refused": str(fault)})
    content: dict[str, Any] = {
        "state": "planned",
        "sentence": [part.to_json() for part in planned_parts(planned)],
        "copy": planned_sentence(planned),
        "verdict": planned.verdict.value,
        "lines": list(planned_lines(planned)),
    }
    return JsonAnswer(content)


def add_motion_routes(server: FastAPI) -> None:
    """Add the route, behind those of fits; it runs on a worker thread, since it computes."""
    server.include_router(motion_routes)
