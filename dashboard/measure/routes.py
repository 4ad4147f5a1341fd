"""The routes of the Measure page: what there is to measure, a measurement as it stands, keeping it.

All but the last are GET and without any effect: the page holds the measurement, and asks again
while a span is open. What is kept goes through the one writer of the recording.
"""

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, FastAPI, Query, Request
from pydantic import BaseModel, ConfigDict

from dashboard.drawn_joints import listed_joints
from dashboard.figures.pens import NO_PEN, choose_pens
from dashboard.measure.evaluated import Evaluations, setup_of
from dashboard.measure.question import MeasureFields
from dashboard.measure.view import measure_view, procedure_content, reason_text
from dashboard.server.dependencies import OpenRecording, json_body
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import RefusedError
from dashboard.server.queries import FigureQuery, UnitsQuery, ZoneQuery
from dashboard.text.format import format_date_time, format_duration
from logger.arrays import to_s
from logger.errors import DutytraceError, InputError
from replay.measure.evaluate import evaluate_measurement
from replay.measure.keep import keep_measurement
from replay.measure.plan import PLAN_ORDER
from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.programme import joint_programme, kept_kinds
from replay.measure.readiness.judge import ReadinessJudge
from replay.measure.readiness.needed import Needed, needed_text
from replay.measure.reading import parse_quantity, parse_reading
from replay.recording import Recording

__all__ = ["add_measure_routes"]

MAX_KEEP_BYTES: Final = 60_000
measure_routes = APIRouter(prefix="/api/measure")
keep_routes = APIRouter(prefix="/api/measure")


class MeasureQuery(MeasureFields, FigureQuery, ZoneQuery, UnitsQuery):
    """A measurement, and how it is shown."""


class ReadingQuery(BaseModel):
    """A reading as it was typed, to be checked."""

    kind: str = ""
    reading: str = ""
    division: str = ""
    """What its instrument is read to, NAME=VALUE; "" where that is not stated."""


class _KeepRequest(MeasureFields):
    model_config = ConfigDict(extra="forbid")


async def _evaluations(request: Request) -> Evaluations:
    evaluations: Evaluations = request.app.state.measure_evaluations
    return evaluations


@measure_routes.get("")
def list_procedures(request: Request) -> JsonAnswer:
    """Answer the kinds of measurement, in the order of the programme for a new joint."""
    return JsonAnswer(
        {
            "kinds": [procedure_content(PROCEDURES[name]) for name in PLAN_ORDER],
            "writes": request.app.state.measure_writes,
        }
    )


@measure_routes.get("/reading/check")
def check_reading(query: Annotated[ReadingQuery, Query()]) -> JsonAnswer:
    """Answer why a reading that was typed is refused, empty for a good one."""
    procedure = PROCEDURES.get(query.kind)
    if procedure is None:
        raise RefusedError(404, f"There is no kind of measurement {query.kind[:40]!r}.")
    try:
        reading = parse_reading(query.reading, procedure.readings, where="")
        if query.division:
            parse_quantity(
                query.division, (reading.unit,), where="", what=f"{reading.name} is read to"
            )
    except InputError as fault:
        return JsonAnswer({"refused": reason_text(fault)})
    return JsonAnswer({"refused": ""})


@measure_routes.get("/{name}/now")
def show_now(recording: OpenRecording) -> JsonAnswer:
    """Answer the newest instant of a recording: where a span begins or is done."""
    return JsonAnswer({"now_s": to_s(recording.end_ns - recording.start_ns)})


async def _readiness(request: Request) -> ReadinessJudge:
    readiness: ReadinessJudge = request.app.state.measure_readiness
    return readiness


@measure_routes.get("/{name}/programme")
def show_programme(
    recording: OpenRecording, readiness: Annotated[ReadinessJudge, Depends(_readiness)]
) -> JsonAnswer:
    """Answer what there is to measure of each joint, and what its recording answers already."""
    kept = kept_kinds([recording])
    return JsonAnswer(
        {
            "joints": [
                _programme_content(recording, joint, kept, readiness.judge(recording, joint))
                for joint in listed_joints(recording)
            ]
        }
    )


def _programme_content(
    recording: Recording,
    joint: str,
    kept: Mapping[str, frozenset[str]],
    needed: Sequence[Needed],
) -> dict[str, Any]:
    heat = next((one for one in needed if one.kind == "heat"), None)
    return {
        "name": joint,
        "label": recording.bench.label_of(joint),
        "heat": _needed_content(heat),
        "steps": [
            {
                "kind": one.procedure.name,
                "title": one.procedure.title,
                "why": one.why,
                "levels": one.levels,
                "takes": one.procedure.takes,
                "answered": one.is_answered,
                "needed": _needed_content(one.needed),
            }
            for one in joint_programme([recording], joint, kept, needed)
        ],
    }


def _needed_content(needed: Needed | None) -> dict[str, Any] | None:
    if needed is None or not needed.is_begun:
        return None
    return {"enough": needed.is_enough, "words": needed_text(needed)}


@measure_routes.get("/{name}")
def show_measurement(
    recording: OpenRecording,
    *,
    evaluations: Annotated[Evaluations, Depends(_evaluations)],
    query: Annotated[MeasureQuery, Query()],
) -> JsonAnswer:
    """Answer a measurement as it stands: its steps, what is watched, what it gives so far."""
    joints = listed_joints(recording)
    joint = query.joint if query.joint in joints else next(iter(joints), "")
    pens = choose_pens(joints, recording.joints, [joint])
    length = format_duration(to_s(recording.end_ns - recording.start_ns))
    content = {
        "path": recording.path.name,
        "name": recording.name,
        "live": recording.live,
        "when": f"{format_date_time(recording.start_ns, query.time_zone)}, {length}",
        "joints": [
            {"name": one, "label": recording.bench.label_of(one), "pen": pens.get(one, NO_PEN)}
            for one in joints
        ],
        "joint": joint,
    }
    if not joint or not query.kind:
        return JsonAnswer(content | {"measured": None})
    try:
        asked = query.asked(joint)
    except InputError as fault:
        raise RefusedError(400, fault) from None
    view = measure_view(
        recording,
        asked,
        evaluations.find(recording, asked),
        pen=pens.get(joint, NO_PEN),
        theme=query.colours,
        zone=query.time_zone,
        displays=query.displays,
        is_narrow=query.form == "narrow",
    )
    return JsonAnswer(content | {"measured": view})


@keep_routes.post("/{name}/keep")
def keep_result(
    recording: OpenRecording,
    body: Annotated[_KeepRequest, Depends(json_body(_KeepRequest, most=MAX_KEEP_BYTES))],
) -> JsonAnswer:
    """Keep a measurement as a finding of its recording, as `--keep` does."""
    try:
        asked = body.asked(body.joint)
        if asked.has_open_span:
            raise RefusedError(400, "A span is still open: it is done when you say so.")
        setup = setup_of(recording, asked)
        result = evaluate_measurement(asked.kind, setup)
        kept = keep_measurement(result, setup, [recording])
    except InputError as fault:
        raise RefusedError(400, fault) from None
    except (DutytraceError, OSError) as fault:
        raise RefusedError(500, f"It could not be kept: {fault}") from None
    if kept is None:
        raise RefusedError(400, "Nothing was kept: no quantity has an interval.")
    return JsonAnswer({"kept": kept.id})


def add_measure_routes(server: FastAPI, *, writes: bool) -> None:
    """Add the routes; each runs on a worker thread. `writes`: whether a result can be kept."""
    server.state.measure_evaluations = Evaluations()
    server.state.measure_readiness = ReadinessJudge()
    server.state.measure_writes = writes
    server.include_router(measure_routes)
    if writes:
        server.include_router(keep_routes)
