"""The route that the Heat page reads from: one joint of a recording, fitted.

GET and without any effect but that a fit is begun; while it is made the answer says so, and the
page asks again.
"""

from typing import Annotated

from fastapi import APIRouter, Depends, FastAPI, Query, Request

from dashboard.drawn_joints import listed_joints
from dashboard.figures.pens import NO_PEN, choose_pens
from dashboard.heat.fits import HeatFits
from dashboard.heat.further import further_choices
from dashboard.heat.heat_query import HeatQuery
from dashboard.heat.view import heat_view
from dashboard.server.dependencies import OpenRecording, PageName, Recordings
from dashboard.server.job_queue import JobQueue
from dashboard.server.json_answer import JsonAnswer
from dashboard.text.format import format_clock, format_date_time, format_duration
from logger.errors import InputError
from replay.recording import Recording

__all__ = ["add_heat_routes", "heat_fits"]

heat_routes = APIRouter(prefix="/api/recordings")


async def heat_fits(request: Request) -> HeatFits:
    """Return the fits that are kept."""
    fits: HeatFits = request.app.state.heat_fits
    return fits


@heat_routes.get("/{name}/heat")
def show_heat(
    recording: OpenRecording,
    *,
    recordings: Recordings,
    fits: Annotated[HeatFits, Depends(heat_fits)],
    page: PageName,
    query: Annotated[HeatQuery, Query()],
) -> JsonAnswer:
    """Answer what the page shows of a joint, or that it is being fitted."""
    joints = listed_joints(recording)
    joint = query.joint if query.joint in joints else next(iter(joints), "")
    pens = choose_pens(joints, recording.joints, [joint])
    content = {
        "path": recording.path.name,
        "name": recording.name,
        "live": recording.live,
        "when": _when(recording, query),
        "joints": [
            {"name": one, "label": recording.bench.label_of(one), "pen": pens.get(one, NO_PEN)}
            for one in recording.joints
            if one in joints
        ],
        "joint": "",
        "ambient": query.ambient,
        "ambients": _ambients(recording),
    }
    if not joints:
        return JsonAnswer({**content, "state": "refused", "refused": "It has no joint."})
    content["joint"] = joint
    try:
        asked = query.asked(recording, joint, recordings)
        content["ambient"] = asked.request.ambient
        asked.request.ambient_of(asked.recordings, query.time_zone)
        if query.again:
            fits.forget(asked.request)
        kept = fits.find(asked.request, asked.recordings, page=page)
    except InputError as fault:
        return JsonAnswer({**content, "state": "refused", "refused": str(fault)})
    if kept is None:
        return JsonAnswer({**content, "state": "fitting"})
    view = heat_view(
        recording,
        kept.fit,
        query.rules,
        theme=query.colours,
        zone=query.time_zone,
        is_narrow=query.form == "narrow",
    )
    until = format_clock(kept.until_ns, query.time_zone)
    return JsonAnswer({**content, **view, "live": asked.live, "until": until})


@heat_routes.get("/{name}/heat/others")
def list_others(
    recording: OpenRecording, recordings: Recordings, query: Annotated[HeatQuery, Query()]
) -> JsonAnswer:
    """Answer which recordings may be fitted together with this one."""
    choices = further_choices(recording, query.joint, recordings, query.time_zone)
    return JsonAnswer({"others": choices})


def _when(recording: Recording, query: HeatQuery) -> str:
    begun = format_date_time(recording.start_ns, query.time_zone)
    return f"{begun}, {format_duration((recording.end_ns - recording.start_ns) / 1e9)}"


def _ambients(recording: Recording) -> list[str]:
    """Return the channels of joined instruments that may tell the room's temperature."""
    return [
        f"{sensor}.{channel}"
        for sensor in recording.bench.sensors
        for channel in recording.channels(sensor)
        if channel.startswith("temperature_") and channel.endswith("_degC")
    ]


def add_heat_routes(server: FastAPI, *, jobs: JobQueue) -> None:
    """Add the route; it runs on a worker thread, since it reads disk and computes."""
    server.state.heat_fits = HeatFits(jobs)
    server.include_router(heat_routes)
