"""The routes of the Heat page beside its first: the load as it was, and limits from the model.

GET and without any effect but that work is begun; limits are answered and never put into force.
"""

import math
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, FastAPI, Query, Request

from dashboard.heat.accounts import DutyAccounts
from dashboard.heat.duty_view import duty_view
from dashboard.heat.fits import HeatFits
from dashboard.heat.further import AskedFit
from dashboard.heat.heat_query import HeatQuery
from dashboard.heat.held_against import OtherFit, other_fit
from dashboard.heat.limits_in_force import TEMPERATURE_DEFAULTS, default_limit_degC
from dashboard.heat.routes import heat_fits
from dashboard.heat.view import LIMIT_RANGE_DEGC
from dashboard.server.dependencies import OpenRecording, PageName, Recordings
from dashboard.server.job_queue import JobQueue
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.queries import UnitsQuery
from dashboard.server.recording_cache import RecordingCache
from logger.errors import InputError
from replay.duty.evaluate import DutyModel, hold_against
from replay.heat.fit import HeatFit
from replay.heat.planning.limits_words import limits_lines, tried_lines
from replay.heat.planning.proposed_limits import propose_limits, try_limits
from replay.recording import Recording

__all__ = ["add_duty_routes", "held_limit_degC"]

duty_routes = APIRouter(prefix="/api/recordings")


class DutyQuery(HeatQuery, UnitsQuery):
    """Which joint, where the rules stand, and the reader's units."""

    by: str = ""
    """Name of another recording, whose joint the load is held against; empty: this one's."""


async def _duty_accounts(request: Request) -> DutyAccounts:
    accounts: DutyAccounts = request.app.state.duty_accounts
    return accounts


@duty_routes.get("/{name}/duty")
def show_duty(
    recording: OpenRecording,
    *,
    recordings: Recordings,
    fits: Annotated[HeatFits, Depends(heat_fits)],
    accounts: Annotated[DutyAccounts, Depends(_duty_accounts)],
    page: PageName,
    query: Annotated[DutyQuery, Query()],
) -> JsonAnswer:
    """Answer what the page shows of a joint's load, or that it is being read."""
    joint = query.joint
    if joint not in recording.joints or joint in recording.bench.sensors:
        return JsonAnswer({"state": "refused", "refused": "It has no such joint."})
    other, why, fit = None, "", None
    try:
        asked = query.asked(recording, joint, recordings)
        if query.again:
            accounts.forget(asked.request)
        if query.by and query.by != recording.path.name:
            is_pending, other, why = _other(query, recording, recordings, fits, page)
        else:
            is_pending, fit = _fit(fits, asked, page)
        if is_pending:
            return JsonAnswer({"state": "counting"})
        account = accounts.find(asked.request, fit, asked.recordings, page=page)
    except InputError as fault:
        return JsonAnswer({"state": "refused", "refused": str(fault)})
    if account is None:
        return JsonAnswer({"state": "counting"})
    held = fit if other is None else other.fit
    sources = () if other is None else (other.source,)
    limit_degC = held_limit_degC(recording, held, query.limit)  # noqa: N806 - the unit's own spelling
    view = duty_view(
        recording,
        hold_against(account, DutyModel(fit=held, limit_degC=limit_degC, fitted_to=sources)),
        speed=query.displays["speed"],
        theme=query.colours,
        zone=query.time_zone,
    )
    view["notes"] = [*([why] if why else []), *view["notes"]]
    return JsonAnswer({**view, **_other_words(other, limit_degC)})


@duty_routes.get("/{name}/heat/limits")
def show_limits(
    recording: OpenRecording,
    *,
    recordings: Recordings,
    fits: Annotated[HeatFits, Depends(heat_fits)],
    page: PageName,
    query: Annotated[HeatQuery, Query()],
) -> JsonAnswer:
    """Answer limits that protect the joint, with what they would have done on the recording."""
    try:
        asked = query.asked(recording, query.joint, recordings)
        kept = fits.find(asked.request, asked.recordings, page=page)
        if kept is None:
            return JsonAnswer({"state": "fitting"})
        limit_degC = held_limit_degC(recording, kept.fit, query.limit)  # noqa: N806
        proposed = propose_limits(kept.fit, limit_degC=limit_degC)
        tried = try_limits(proposed, asked.recordings)
    except InputError as fault:
        return JsonAnswer({"state": "refused", "refused": str(fault)})
    made = datetime.now(UTC)
    content: dict[str, Any] = {
        "state": "proposed",
        "path": recording.path.name,
        "tables": list(proposed.tables),
        "joint": proposed.joint,
        "channel": f"temperature_{proposed.node}_degC",
        "level": limit_degC,
        "said": [
            f"From the fitted heat of {kept.fit.label} on {made:%Y-%m-%d}.",
            *limits_lines(proposed, kept.fit),
            *tried_lines(proposed, tried),
        ],
    }
    return JsonAnswer(content)


def _other(
    query: DutyQuery,
    recording: Recording,
    recordings: RecordingCache,
    fits: HeatFits,
    page: str,
) -> tuple[bool, OtherFit | None, str]:
    """Return whether another recording is being fitted, its fit, and why there is none."""
    try:
        other = other_fit(
            recording,
            query.joint,
            query.by,
            recordings=recordings,
            fits=fits,
            ambient=query.ambient,
            zone=query.time_zone,
            page=page,
        )
    except InputError as fault:
        return False, None, str(fault)
    return other is None, other, ""


def _other_words(other: OtherFit | None, limit_degC: float) -> dict[str, Any]:  # noqa: N803
    """Return where another fit is from, and its rule for a page whose recording has no fit."""
    if other is None:
        return {"against": None, "rule": None}
    node = other.fit.node.value
    low, high = LIMIT_RANGE_DEGC[node]
    return {
        "against": {"path": other.path, "name": other.source.recording},
        "rule": {"node": node, "low": low, "high": high, "value": limit_degC, "from": ""},
    }


def _fit(fits: HeatFits, asked: AskedFit, page: str) -> tuple[bool, HeatFit | None]:
    """Return whether a fit is being made, and the fit; None where none can be made."""
    try:
        asked.request.ambient_of(asked.recordings)
        kept = fits.find(asked.request, asked.recordings, page=page)
    except InputError:
        # The page says why elsewhere; a load can be told of without it.
        return False, None
    return kept is None, None if kept is None else kept.fit


def held_limit_degC(  # noqa: N802 - the unit's own spelling
    recording: Recording, fit: HeatFit | None, stated: float | None
) -> float:
    """Return the temperature that the rules of the page hold the joint to."""
    if fit is None:
        return TEMPERATURE_DEFAULTS["housing"]
    if stated is None or not math.isfinite(stated):
        return default_limit_degC(recording, fit)[0]
    low, high = LIMIT_RANGE_DEGC[fit.node.value]
    return min(max(stated, low), high)


def add_duty_routes(server: FastAPI, *, jobs: JobQueue) -> None:
    """Add the routes; they run on worker threads, since they read disk and compute."""
    server.state.duty_accounts = DutyAccounts(jobs)
    server.include_router(duty_routes)
