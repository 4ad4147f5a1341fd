"""The routes of the Limits page: evaluation, exact jobs, sweeps, saving, deployment.

Only deployment writes anything: it puts a request into the inbox of the recorder that writes a
recording. The others are POST requests because limits do not fit into an address, and a read-only
server allows them.
"""

from datetime import UTC, datetime, tzinfo
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Depends, FastAPI, Query, Request
from pydantic import Field

from dashboard.drawn_joints import common_pens
from dashboard.figures.load import AVERAGING_TIMES_S, CurveLine, JointLoad, load_figure
from dashboard.figures.pens import drawn_text
from dashboard.limits import forms
from dashboard.limits.jobs import compute_exact, parse_page_sweep, sweep_limits
from dashboard.limits.provenance import trial_provenance, without_provenance
from dashboard.limits.question import (
    DEPLOY_PATH,
    LIMITS_PATH,
    MAX_LIMITS_REQUEST_BYTES,
    MAX_TEXT_CHARS,
    DeployRequest,
    LimitsRequest,
    PageRequest,
    VaryRequest,
)
from dashboard.limits.reply import build_reply
from dashboard.replay.limits_token import encode_token
from dashboard.server.dependencies import PageName, json_body
from dashboard.server.job_queue import JobQueue
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import split_mistakes
from dashboard.server.queries import ZoneQuery
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.format import format_elapsed, format_short_date_time
from dashboard.text.theme import LIGHT, THEMES
from dashboard.text.zone import zone_name
from logger.errors import DutytraceError, InputError
from logger.limits.curve_table import curve_table, limit_curve_settings
from logger.limits.kinds import example_text
from logger.limits.limit import LimitSet, limits_from_tables, parse_limits
from logger.limits.limits_text import limit_tables, prepend_comments, replace_limits_text
from logger.limits.scored_limit import ScoredLimit
from logger.store.layout.manifest import package_versions
from logger.store.repair.post_request import submit_limits
from replay.exploring.exposure import loaded_spans, max_rms_by_duration
from replay.exploring.limit_explorer import LimitExplorer
from replay.recording import Recording

__all__ = ["add_limits_routes"]

limits_routes = APIRouter(prefix=LIMITS_PATH)
writing_routes = APIRouter()


class _JobRequest(PageRequest):
    number: int


class _TextRequest(PageRequest):
    text: Annotated[str, Field(max_length=MAX_TEXT_CHARS)]


class LimitsPage:
    """The state that the routes share: recordings, explorer, jobs."""

    def __init__(self, cache: RecordingCache, jobs: JobQueue) -> None:
        self.cache = cache
        self.explorer = LimitExplorer()
        self.jobs = jobs

    def open_recordings(self, request: LimitsRequest) -> list[Recording]:
        return [self.cache.open_recording(name) for name in dict.fromkeys(request.recordings)]

    def try_limits(self, request: LimitsRequest) -> dict[str, Any]:
        """Return what the limits raise, or the mistakes in them."""
        try:
            limits = request.parse_limits()
        except InputError as fault:
            return {"mistakes": split_mistakes(fault)}
        reply: dict[str, Any] = build_reply(
            request, limits, self.open_recordings(request), self.explorer
        )
        return reply

    def start_exact(self, request: LimitsRequest, owner: str) -> dict[str, Any]:
        """Start the exact evaluation of the selected limit, or of all; return its job's number."""
        limits, bad_end, opened = (
            request.parse_limits(),
            request.parse_bad_end(),
            self.open_recordings(request),
        )
        if not request.whole:
            chosen = limits.by_name(request.chosen)
            limits = LimitSet(limits=() if chosen is None else (chosen,))
        number = self.jobs.submit(
            f"{owner} exact",
            lambda context: compute_exact(self.explorer, opened, limits, bad_end, context),
        )
        return {"number": number}

    def start_sweep(self, request: VaryRequest, owner: str) -> dict[str, Any]:
        """Start a sweep; return the number of its job."""
        request.parse_limits()
        sweep, opened = parse_page_sweep(request), self.open_recordings(request)
        number = self.jobs.submit(
            f"{owner} sweep", lambda context: sweep_limits(sweep, opened, request, context)
        )
        return {"number": number}

    def curve_picture(self, request: LimitsRequest) -> dict[str, Any]:
        """Return the time-current figure of the selected limit."""
        limits = request.parse_limits()
        limit = limits.by_name(request.chosen)
        if not isinstance(limit, ScoredLimit) or limit.curve_settings() is None:
            return {"figure": None}
        channel = limit.needed_channels[0][1]
        loads: list[JointLoad] = []
        curves: dict[float, CurveLine] = {}
        title = ""
        opened = self.open_recordings(request)
        watched = [[*self.explorer.limits_by_joint(recording, limit)] for recording in opened]
        names = {joint for limits_by_joint in watched for joint, _ in limits_by_joint}
        pens = common_pens(opened, names)
        for recording, limits_by_joint in zip(opened, watched, strict=True):
            for joint, own in limits_by_joint:
                if joint not in pens:
                    continue
                settings, _ = limit_curve_settings(LimitSet(limits=(own,)), own.name)
                if settings.setting not in curves:
                    # A share of the rated value is another curve on joints with another rating.
                    table = curve_table(settings)
                    current, time_s = table.points_to_draw()
                    title = title or table.title
                    curves[settings.setting] = CurveLine(
                        names=[],
                        pen=pens[joint],
                        current=np.asarray(current),
                        time_s=np.asarray(time_s),
                    )
                label = recording.bench.label_of(joint)
                curves[settings.setting].names.append(label)
                seconds = self.explorer.second_values(recording, joint, channel, "rms")
                rms = seconds.values[:, 0]
                above = loaded_spans(seconds.start_ns, rms, settings.setting)
                loads.append(
                    JointLoad(
                        name=label if len(opened) == 1 else f"{recording.name}, {label}",
                        pen=pens[joint],
                        max_rms=max_rms_by_duration(seconds.start_ns, rms, AVERAGING_TIMES_S),
                        duration_s=above.duration_s,
                        span_rms=above.rms,
                    )
                )
        if not curves:
            return {"figure": None}
        unit = forms.channels_to_json([channel])[0]["unit"]
        theme = THEMES.get(request.theme, LIGHT)
        return {
            "title": title if len(curves) == 1 else f"{limit.name}, another curve for each rating",
            "drawn": drawn_text(len(names & {*pens}), len(names)),
            "figure": load_figure([*curves.values()], loads, unit=unit, theme=theme),
        }

    def limits_text(self, request: LimitsRequest) -> dict[str, Any]:
        """Return the limits as a file with their provenance, and as a token for an address."""
        limits, bad_end = request.parse_limits(), request.parse_bad_end()
        if request.account and parse_limits(request.account, "account").limits == limits.limits:
            # No limit was changed since: the sweep's own file says how far it can be trusted.
            return {"text": request.account, "token": encode_token(request.account)}
        text = replace_limits_text(without_provenance(request.base), request.tables)
        tried = self.open_recordings(request) if request.whole else []
        lines = trial_provenance(
            [self.explorer.evaluate_limits(recording, limits, bad_end) for recording in tried],
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
        """Return the limits of a recording, or an example if no name is given."""
        if not name:
            return self.read_limits_text(example_text(), "example")
        recording = self.cache.open_recording(name)
        return self.read_limits_text(recording.limits.text or "format = 1\n", recording.name)

    def job_to_json(self, number: int) -> dict[str, Any]:
        """Return the progress of a job, or its result.

        Raises
        ------
        InputError
            There is no job of that number any more.
        """
        job = self.jobs.job_to_json(number)
        if job is None:
            raise InputError("This job does not exist any more; start it again.")
        return job

    def page_content(self, zone: tzinfo) -> dict[str, Any]:
        """Return what the page starts with: the recordings, and the forms of limits."""
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
                    "begun": format_short_date_time(entry.started_ns, zone),
                    "live": entry.live,
                    **summary,
                }
            )
        return {
            "folder": str(self.cache.folder),
            "zone": zone_name(zone),
            "recordings": rows,
            "forms": forms.forms_to_json(),
            "drop_offs": forms.DROP_OFF_KEYS,
        }

    def deploy(self, request: DeployRequest) -> dict[str, Any]:
        """Pass limits to the recorder of a recording, which applies them."""
        limits_from_tables(request.tables, "limits", text=request.base)
        text = replace_limits_text(request.base, request.tables)
        submit_limits(self.cache.find_path(request.recording), text=text, who=request.who)
        return {"done": True}


def _list_summary(recording: Recording) -> dict[str, Any]:
    return {
        "length_s": (recording.end_ns - recording.start_ns) / 1e9,
        "length": format_elapsed((recording.end_ns - recording.start_ns) / 1e9),
        "joints": list(recording.joints),
        "joint_labels": recording.bench.labels,
        "channels": sorted({c for joint in recording.joints for c in recording.channels(joint)}),
        "limits": len(recording.limits.limits),
    }


async def _limits_page(request: Request) -> LimitsPage:
    page: LimitsPage = request.app.state.limits_page
    return page


Page = Annotated[LimitsPage, Depends(_limits_page)]
Limits = Annotated[LimitsRequest, Depends(json_body(LimitsRequest, most=MAX_LIMITS_REQUEST_BYTES))]


@limits_routes.get("")
def show_start(page: Page, query: Annotated[ZoneQuery, Query()]) -> JsonAnswer:
    """Answer what the page starts with."""
    return JsonAnswer(page.page_content(query.time_zone))


@limits_routes.get("/start")
def show_limits_of(page: Page, recording: str = "") -> JsonAnswer:
    """Answer the limits of a recording, or an example."""
    return JsonAnswer(page.begin_with(recording))


@limits_routes.get("/jobs/{number}")
def show_job(page: Page, number: int) -> JsonAnswer:
    """Answer the progress of a job, or its result."""
    return JsonAnswer(page.job_to_json(number))


@limits_routes.post("/jobs/stop")
def stop_job(
    page: Page,
    request: Annotated[_JobRequest, Depends(json_body(_JobRequest, most=MAX_LIMITS_REQUEST_BYTES))],
) -> JsonAnswer:
    """Stop a job."""
    page.jobs.cancel(request.number)
    return JsonAnswer({"done": True})


@limits_routes.post("/evaluate")
def evaluate_limits(page: Page, request: Limits) -> JsonAnswer:
    """Answer what limits raise on recordings."""
    return JsonAnswer(page.try_limits(request))


@limits_routes.post("/curve")
def draw_curve(page: Page, request: Limits) -> JsonAnswer:
    """Answer the time-current figure of the selected limit."""
    return JsonAnswer(page.curve_picture(request))


@limits_routes.post("/exact")
def start_exact(page: Page, request: Limits, owner: PageName) -> JsonAnswer:
    """Start the exact evaluation and answer the number of its job."""
    return JsonAnswer(page.start_exact(request, owner))


@limits_routes.post("/sweep")
def start_sweep(
    page: Page,
    request: Annotated[VaryRequest, Depends(json_body(VaryRequest, most=MAX_LIMITS_REQUEST_BYTES))],
    owner: PageName,
) -> JsonAnswer:
    """Start a sweep and answer the number of its job."""
    return JsonAnswer(page.start_sweep(request, owner))


@limits_routes.post("/file")
def write_limits_file(page: Page, request: Limits) -> JsonAnswer:
    """Answer the limits as the text of a file."""
    return JsonAnswer(page.limits_text(request))


@limits_routes.post("/parse")
def parse_limits_file(
    page: Page,
    request: Annotated[
        _TextRequest, Depends(json_body(_TextRequest, most=MAX_LIMITS_REQUEST_BYTES))
    ],
) -> JsonAnswer:
    """Answer the limits of a file as the page edits them."""
    return JsonAnswer(page.read_limits_text(request.text, "limits"))


@writing_routes.post(DEPLOY_PATH)
def deploy_limits(
    page: Page,
    request: Annotated[
        DeployRequest, Depends(json_body(DeployRequest, most=MAX_LIMITS_REQUEST_BYTES))
    ],
) -> JsonAnswer:
    """Pass limits to the recorder that writes a recording."""
    return JsonAnswer(page.deploy(request))


def add_limits_routes(
    server: FastAPI, recordings: RecordingCache, *, jobs: JobQueue, writes: bool
) -> None:
    """Add the routes; each works on a worker thread."""
    server.state.limits_page = LimitsPage(recordings, jobs)
    server.include_router(limits_routes)
    if writes:
        server.include_router(writing_routes)
