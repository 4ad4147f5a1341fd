"""The routes of the Limits page: asking, exact work, sweeps, saving, handing over.

All but the last write nothing anywhere: they are posted because limits do not fit into an address,
and a read-only server lets them through. Handing over drops a request into the inbox of the logger
that writes a recording.
"""

from datetime import UTC, datetime, tzinfo
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Depends, FastAPI, Query, Request
from pydantic import Field

from dashboard.figures.load import AVERAGING_TIMES_S, CurveLine, JointLoad, load_figure
from dashboard.limits import forms
from dashboard.limits.job_queue import JobQueue
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
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.json_requests import split_mistakes
from dashboard.server.queries import ZoneQuery
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.format import format_elapsed, format_short_date_time
from dashboard.text.theme import LIGHT, THEMES
from dashboard.text.zone import zone_name
from logger.errors import DutytraceError, InputError
from logger.limits.curve_table import curve_table, limit_curve_settings
from logger.limits.kind import ScoredLimit
from logger.limits.kinds import example_text
from logger.limits.limit import LimitSet, limits_from_tables, parse_limits
from logger.limits.limits_text import limit_tables, prepend_comments, replace_limits_text
from logger.store.layout.manifest import package_versions
from logger.store.repair.post_request import submit_limits
from replay.exploring.exposure import loaded_spans, max_rms_by_duration
from replay.exploring.limit_explorer import LimitExplorer
from replay.recording import Recording

__all__ = ["add_limits_routes"]

routes = APIRouter(prefix=LIMITS_PATH)
writing_routes = APIRouter()


class _JobRequest(PageRequest):
    number: int


class _TextRequest(PageRequest):
    text: Annotated[str, Field(max_length=MAX_TEXT_CHARS)]


class LimitsPage:
    """What the routes share."""

    def __init__(self, shelf: RecordingCache, jobs: JobQueue) -> None:
        self.cache = shelf
        self.explorer = LimitExplorer()
        self.jobs = jobs

    def open_recordings(self, asked: LimitsRequest) -> list[Recording]:
        return [self.cache.open_recording(name) for name in dict.fromkeys(asked.recordings)]

    def try_limits(self, asked: LimitsRequest) -> dict[str, Any]:
        try:
            limits = asked.parse_limits()
        except InputError as fault:
            return {"mistakes": split_mistakes(fault)}
        told: dict[str, Any] = build_reply(
            asked, limits, self.open_recordings(asked), self.explorer
        )
        return told

    def start_exact(self, asked: LimitsRequest, owner: str) -> dict[str, Any]:
        limits, said, opened = (
            asked.parse_limits(),
            asked.parse_bad_end(),
            self.open_recordings(asked),
        )
        if not asked.whole:
            chosen = limits.by_name(asked.chosen)
            limits = LimitSet(limits=() if chosen is None else (chosen,))
        number = self.jobs.submit(
            f"{owner} exact",
            lambda means: compute_exact(self.explorer, opened, limits, said, means),
        )
        return {"number": number}

    def start_sweep(self, asked: VaryRequest, owner: str) -> dict[str, Any]:
        asked.parse_limits()
        sweep, opened = parse_page_sweep(asked), self.open_recordings(asked)
        number = self.jobs.submit(
            f"{owner} sweep", lambda means: sweep_limits(sweep, opened, asked, means)
        )
        return {"number": number}

    def curve_picture(self, asked: LimitsRequest) -> dict[str, Any]:
        """Return the time-current picture of the chosen limit."""
        limits = asked.parse_limits()
        limit = limits.by_name(asked.chosen)
        if not isinstance(limit, ScoredLimit) or limit.curve_settings() is None:
            return {"figure": None}
        channel = limit.needed_channels[0][1]
        loads: list[JointLoad] = []
        curves: dict[float, CurveLine] = {}
        title = ""
        opened = self.open_recordings(asked)
        for recording in opened:
            for joint, own in self.explorer.limits_by_joint(recording, limit):
                settings, _ = limit_curve_settings(LimitSet(limits=(own,)), own.name)
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
                sketch = self.explorer.second_values(recording, joint, channel, "rms")
                rms = sketch.values[:, 0]
                above = loaded_spans(sketch.start_ns, rms, settings.setting)
                loads.append(
                    JointLoad(
                        name=joint if len(opened) == 1 else f"{recording.name}, {joint}",
                        pen=recording.joints.index(joint) + 1,
                        max_rms=max_rms_by_duration(sketch.start_ns, rms, AVERAGING_TIMES_S),
                        duration_s=above.duration_s,
                        span_rms=above.rms,
                    )
                )
        if not curves:
            return {"figure": None}
        unit = forms.channels_to_json([channel])[0]["unit"]
        theme = THEMES.get(asked.theme, LIGHT)
        return {
            "title": title if len(curves) == 1 else f"{limit.name}, another curve for each rating",
            "figure": load_figure([*curves.values()], loads, unit=unit, theme=theme),
        }

    def limits_text(self, asked: LimitsRequest) -> dict[str, Any]:
        """Return the limits as a file with its provenance, and as a token for an address."""
        limits, said = asked.parse_limits(), asked.parse_bad_end()
        if asked.account and parse_limits(asked.account, "account").limits == limits.limits:
            # Nothing was turned since: its own account says how far the choice can be trusted.
            return {"text": asked.account, "token": encode_token(asked.account)}
        text = replace_limits_text(without_provenance(asked.base), asked.tables)
        tried = self.open_recordings(asked) if asked.whole else []
        lines = trial_provenance(
            [self.explorer.evaluate_limits(one, limits, said) for one in tried],
            said,
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

    def job_to_json(self, number: int) -> dict[str, Any]:
        """Return how far a piece of work is, or what it found.

        Raises
        ------
        InputError
            There is none of that number any more.
        """
        found = self.jobs.job_to_json(number)
        if found is None:
            raise InputError("This piece of work is not known any more; ask again.")
        return found

    def page_content(self, zone: tzinfo) -> dict[str, Any]:
        """Return what the page begins with: the recordings, and what can be set about limits."""
        rows = []
        for found in self.cache.list_entries():
            if found.fault:
                continue
            try:
                told = self.cache.derive_for_list("limits", found, _list_summary)
            except (DutytraceError, OSError):
                continue
            rows.append(
                {
                    "path": found.path.name,
                    "name": found.name,
                    "begun": format_short_date_time(found.started_ns, zone),
                    "live": found.live,
                    **told,
                }
            )
        return {
            "folder": str(self.cache.folder),
            "zone": zone_name(zone),
            "recordings": rows,
            "forms": forms.forms_to_json(),
            "drop_offs": forms.DROP_OFF_KEYS,
        }

    def deploy(self, asked: DeployRequest) -> dict[str, Any]:
        limits_from_tables(asked.tables, "limits", text=asked.base)
        text = replace_limits_text(asked.base, asked.tables)
        submit_limits(self.cache.find_path(asked.recording), text=text, who=asked.who)
        return {"done": True}


def _list_summary(recording: Recording) -> dict[str, Any]:
    return {
        "length": format_elapsed((recording.end_ns - recording.start_ns) / 1e9),
        "joints": list(recording.joints),
        "channels": sorted({c for joint in recording.joints for c in recording.channels(joint)}),
        "limits": len(recording.limits.limits),
    }


async def _limits_page(request: Request) -> LimitsPage:
    page: LimitsPage = request.app.state.limits_page
    return page


Page = Annotated[LimitsPage, Depends(_limits_page)]
Limits = Annotated[LimitsRequest, Depends(json_body(LimitsRequest, most=MAX_LIMITS_REQUEST_BYTES))]


@routes.get("")
def show_start(page: Page, query: Annotated[ZoneQuery, Query()]) -> JsonAnswer:
    """Answer what the page begins with."""
    return JsonAnswer(page.page_content(query.time_zone))


@routes.get("/start")
def show_limits_of(page: Page, recording: str = "") -> JsonAnswer:
    """Answer the limits of a recording, or an example."""
    return JsonAnswer(page.begin_with(recording))


@routes.get("/jobs/{number}")
def show_job(page: Page, number: int) -> JsonAnswer:
    """Answer how far a piece of work is, or what it found."""
    return JsonAnswer(page.job_to_json(number))


@routes.post("/jobs/stop")
def stop_job(
    page: Page,
    asked: Annotated[_JobRequest, Depends(json_body(_JobRequest, most=MAX_LIMITS_REQUEST_BYTES))],
) -> JsonAnswer:
    """End a piece of work."""
    page.jobs.cancel(asked.number)
    return JsonAnswer({"done": True})


@routes.post("/evaluate")
def evaluate_limits(page: Page, asked: Limits) -> JsonAnswer:
    """Answer what limits raise over recordings."""
    return JsonAnswer(page.try_limits(asked))


@routes.post("/curve")
def draw_curve(page: Page, asked: Limits) -> JsonAnswer:
    """Answer the time-current picture of the chosen limit."""
    return JsonAnswer(page.curve_picture(asked))


@routes.post("/exact")
def start_exact(page: Page, asked: Limits, owner: PageName) -> JsonAnswer:
    """Begin the exact evaluation."""
    return JsonAnswer(page.start_exact(asked, owner))


@routes.post("/sweep")
def start_sweep(
    page: Page,
    asked: Annotated[VaryRequest, Depends(json_body(VaryRequest, most=MAX_LIMITS_REQUEST_BYTES))],
    owner: PageName,
) -> JsonAnswer:
    """Begin a sweep."""
    return JsonAnswer(page.start_sweep(asked, owner))


@routes.post("/file")
def write_limits_file(page: Page, asked: Limits) -> JsonAnswer:
    """Answer the limits as the text of a file."""
    return JsonAnswer(page.limits_text(asked))


@routes.post("/parse")
def parse_limits_file(
    page: Page,
    asked: Annotated[_TextRequest, Depends(json_body(_TextRequest, most=MAX_LIMITS_REQUEST_BYTES))],
) -> JsonAnswer:
    """Answer the limits of a file as the page edits them."""
    return JsonAnswer(page.read_limits_text(asked.text, "limits"))


@writing_routes.post(DEPLOY_PATH)
def deploy_limits(
    page: Page,
    asked: Annotated[
        DeployRequest, Depends(json_body(DeployRequest, most=MAX_LIMITS_REQUEST_BYTES))
    ],
) -> JsonAnswer:
    """Hand limits over to the logger that writes a recording."""
    return JsonAnswer(page.deploy(asked))


def add_limits_routes(
    server: FastAPI, recordings: RecordingCache, *, jobs: JobQueue, writes: bool
) -> None:
    """Add the routes; each works on a worker thread."""
    server.state.limits_page = LimitsPage(recordings, jobs)
    server.include_router(routes)
    if writes:
        server.include_router(writing_routes)
