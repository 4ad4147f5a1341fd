"""The routes of the Limits page: asking, exact work, sweeps, saving, handing over.

All but the last write nothing anywhere: they are posted because limits do not fit into an address,
and a read-only server lets them through. Handing over drops a request into the inbox of the logger
that writes a recording.
"""

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Any

import numpy as np
from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response
from pydantic import Field

from dashboard.figures.load import AVERAGING_TIMES_S, CurveLine, JointLoad, load_figure
from dashboard.limits import forms
from dashboard.limits.job_queue import JobQueue
from dashboard.limits.jobs import compute_exact, parse_page_sweep, sweep_limits
from dashboard.limits.provenance import trial_provenance, without_provenance
from dashboard.limits.question import (
    FORMER_DEPLOY_PATH,
    LIMITS_VIEW_PATH,
    MAX_LIMITS_REQUEST_BYTES,
    MAX_TEXT_CHARS,
    DeployRequest,
    LimitsRequest,
    PageRequest,
    VaryRequest,
)
from dashboard.limits.reply import build_reply
from dashboard.replay.limits_token import encode_token
from dashboard.replay.routes import json_answer
from dashboard.server.json_requests import (
    RefusedError,
    error_response,
    fault_of,
    read_request,
    split_mistakes,
)
from dashboard.server.origin_check import OriginPolicy
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.theme import LIGHT, THEMES, format_elapsed, format_short_date, reader_zone
from logger.errors import DutytraceError, InputError
from logger.limits.curve_table import curve_table, limit_curve_settings
from logger.limits.describe import example_text
from logger.limits.inverse_time import InverseTime
from logger.limits.limit import LimitSet, limits_from_tables, parse_limits
from logger.limits.limits_text import limit_tables, prepend_comments, replace_limits_text
from logger.limits.thermal import Thermal
from logger.store.layout.manifest import package_versions
from logger.store.repair.post_request import submit_limits
from replay.exploring.exposure import loaded_spans, max_rms_by_duration
from replay.exploring.limit_explorer import LimitExplorer
from replay.recording import Recording

__all__ = ["add_limits_routes"]


class _JobRequest(PageRequest):
    number: int


class _TextRequest(PageRequest):
    text: Annotated[str, Field(max_length=MAX_TEXT_CHARS)]


class _LimitsService:
    """What the routes share."""

    def __init__(self, cache: RecordingCache, stop: threading.Event) -> None:
        self.cache = cache
        self.explorer = LimitExplorer()
        self.jobs = JobQueue(stop)

    def open_recordings(self, request: LimitsRequest) -> list[Recording]:
        return [self.cache.open_recording(name) for name in dict.fromkeys(request.recordings)]

    def try_limits(self, request: LimitsRequest) -> dict[str, Any]:
        try:
            limits = request.parse_limits()
        except InputError as fault:
            return {"mistakes": split_mistakes(fault)}
        reply: dict[str, Any] = build_reply(
            request, limits, self.open_recordings(request), self.explorer
        )
        return reply

    def start_exact(self, request: LimitsRequest, owner: str) -> dict[str, Any]:
        limits, bad_end, recordings = (
            request.parse_limits(),
            request.parse_bad_end(),
            self.open_recordings(request),
        )
        if not request.whole:
            selected = limits.by_name(request.chosen)
            limits = LimitSet(limits=() if selected is None else (selected,))
        number = self.jobs.submit(
            f"{owner} exact",
            lambda context: compute_exact(self.explorer, recordings, limits, bad_end, context),
        )
        return {"number": number}

    def start_sweep(self, request: VaryRequest, owner: str) -> dict[str, Any]:
        request.parse_limits()
        sweep, recordings = parse_page_sweep(request), self.open_recordings(request)
        number = self.jobs.submit(
            f"{owner} sweep", lambda context: sweep_limits(sweep, recordings, request, context)
        )
        return {"number": number}

    def curve_picture(self, request: LimitsRequest) -> dict[str, Any]:
        """Return the time-current picture of the chosen limit."""
        limits = request.parse_limits()
        limit = limits.by_name(request.chosen)
        if not isinstance(limit, InverseTime | Thermal):
            return {"figure": None}
        loads: list[JointLoad] = []
        curves: dict[float, CurveLine] = {}
        title = ""
        recordings = self.open_recordings(request)
        for recording in recordings:
            for joint, joint_limit in self.explorer.limits_by_joint(recording, limit):
                assert isinstance(joint_limit, InverseTime | Thermal), "it is the same limit"
                settings, _ = limit_curve_settings(
                    LimitSet(limits=(joint_limit,)), joint_limit.name
                )
                if settings.setting not in curves:
                    # A share of rated is another curve on each joint that is rated differently.
                    table = curve_table(settings)
                    current, time_s = table.points_to_draw()
                    title = title or table.title
                    curves[settings.setting] = CurveLine(
                        names=[],
                        pen=recording.joints.index(joint) + 1,
                        current=np.asarray(current),
                        time_s=np.asarray(time_s),
                    )
                curves[settings.setting].names.append(joint)
                seconds = self.explorer.second_values(recording, joint, joint_limit.channel, "rms")
                rms = seconds.values[:, 0]
                loaded = loaded_spans(seconds.start_ns, rms, settings.setting)
                loads.append(
                    JointLoad(
                        name=joint if len(recordings) == 1 else f"{recording.name}, {joint}",
                        pen=recording.joints.index(joint) + 1,
                        max_rms=max_rms_by_duration(seconds.start_ns, rms, AVERAGING_TIMES_S),
                        duration_s=loaded.duration_s,
                        span_rms=loaded.rms,
                    )
                )
        if not curves:
            return {"figure": None}
        unit = forms.channels_to_json([limit.channel])[0]["unit"]
        theme = THEMES.get(request.theme, LIGHT)
        return {
            "title": title if len(curves) == 1 else f"{limit.name}, another curve for each rating",
            "figure": load_figure([*curves.values()], loads, unit=unit, theme=theme),
        }

    def limits_text(self, request: LimitsRequest) -> dict[str, Any]:
        """Return the limits as a file that says where they were tried, and as an address does."""
        limits, bad_end = request.parse_limits(), request.parse_bad_end()
        if request.account and parse_limits(request.account, "account").limits == limits.limits:
            # Nothing was turned since: its own account says how far the choice can be trusted.
            return {"text": request.account, "token": encode_token(request.account)}
        text = replace_limits_text(without_provenance(request.base), request.tables)
        recordings = self.open_recordings(request) if request.whole else []
        lines = trial_provenance(
            [self.explorer.evaluate_limits(recording, limits, bad_end) for recording in recordings],
            bad_end,
            version=package_versions()["dutytrace"],
            date=datetime.now(UTC).strftime("%Y-%m-%d"),
        )
        return {"text": prepend_comments(text, lines), "token": encode_token(text)}

    def read_limits_text(self, text: str, where: str) -> dict[str, Any]:
        """Return the limits of a file as the page edits them."""
        parse_limits(text, where)
        tables = limit_tables(text)
        return {
            "base": text,
            "tables": tables,
            "forms": [forms.form_key(table) for table in tables],
        }

    def begin_with(self, name: str) -> dict[str, Any]:
        """Return the limits that a recording was, or is, watched by; without a name an example."""
        if not name:
            return self.read_limits_text(example_text(), "example")
        recording = self.cache.open_recording(name)
        return self.read_limits_text(recording.limits.text or "format = 1\n", recording.name)

    def page_content(self, offset_min: float) -> dict[str, Any]:
        """Return what the page begins with: the recordings, and what can be set about limits."""
        where = reader_zone(offset_min)
        rows = []
        for entry in self.cache.list_entries():
            if entry.fault:
                continue
            try:
                summary = self.cache.derive_for_list("limits", entry, _list_summary)
            except (DutytraceError, OSError):
                continue
            rows.append(
                {
                    "path": entry.path.name,
                    "name": entry.name,
                    "begun": format_short_date(entry.started_ns, where),
                    "live": entry.live,
                    **summary,
                }
            )
        return {
            "folder": str(self.cache.folder),
            "recordings": rows,
            "forms": forms.forms_to_json(),
            "back": forms.DROP_OFF_KEYS,
        }

    def deploy(self, request: DeployRequest) -> dict[str, Any]:
        limits_from_tables(request.tables, "limits", text=request.base)
        text = replace_limits_text(request.base, request.tables)
        submit_limits(self.cache.find_path(request.recording), text=text, who=request.who)
        return {"done": True}


def _list_summary(recording: Recording) -> dict[str, Any]:
    return {
        "length": format_elapsed((recording.end_ns - recording.start_ns) / 1e9),
        "joints": list(recording.joints),
        "channels": sorted({c for joint in recording.joints for c in recording.channels(joint)}),
        "limits": len(recording.limits.limits),
    }


def add_limits_routes(
    server: FastAPI,
    cache: RecordingCache,
    guard: OriginPolicy,
    *,
    stop: threading.Event,
    writes: bool,
) -> None:
    """Add the routes; each works on a worker thread."""
    service = _LimitsService(cache, stop)

    def post_route(
        model: type[LimitsRequest] | type[DeployRequest] | type[_JobRequest] | type[_TextRequest],
        handle: Callable[[Any, str], dict[str, Any]],
    ) -> Callable[[Request], Any]:
        async def route(request: Request) -> JSONResponse:
            owner = request.headers.get("x-page", "")[:40]
            try:
                body = await read_request(request, guard, model, max_bytes=MAX_LIMITS_REQUEST_BYTES)
                return JSONResponse(await run_in_threadpool(handle, body, owner))
            except RefusedError as refused:
                return refused.to_response()
            except InputError as error:
                return fault_of(400, error)
            except (DutytraceError, OSError) as error:
                return error_response(500, str(error))

        return route

    def stopped(body: _JobRequest, _owner: str) -> dict[str, Any]:
        service.jobs.cancel(body.number)
        return {"done": True}

    for name, route in (
        ("ask", post_route(LimitsRequest, lambda body, _: service.try_limits(body))),
        ("curve", post_route(LimitsRequest, lambda body, _: service.curve_picture(body))),
        ("exact", post_route(LimitsRequest, service.start_exact)),
        ("sweep", post_route(VaryRequest, service.start_sweep)),
        ("text", post_route(LimitsRequest, lambda body, _: service.limits_text(body))),
        (
            "read",
            post_route(_TextRequest, lambda body, _: service.read_limits_text(body.text, "limits")),
        ),
        ("stop", post_route(_JobRequest, stopped)),
    ):
        server.add_api_route(
            f"{LIMITS_VIEW_PATH}/{name}", route, methods=["POST"], response_model=None
        )
    if writes:
        deploy_route = post_route(DeployRequest, lambda body, _: service.deploy(body))
        server.add_api_route(
            FORMER_DEPLOY_PATH, deploy_route, methods=["POST"], response_model=None
        )

    def listed(offset_min: float = 0.0) -> Response:
        return json_answer(lambda: service.page_content(offset_min))

    def begin(recording: str = "") -> Response:
        return json_answer(lambda: service.begin_with(recording))

    def work(number: int) -> Response:
        def found() -> dict[str, Any]:
            get_route = service.jobs.job_to_json(number)
            if get_route is None:
                raise InputError("This piece of work is not known any more; ask again.")
            return get_route

        return json_answer(found)

    for path, get_route in (("", listed), ("/begin", begin), ("/work/{number}", work)):
        server.add_api_route(
            LIMITS_VIEW_PATH + path, get_route, methods=["GET"], response_model=None
        )
