"""The routes that Replay reads from: the list, a recording, the rows of a window, a span, a second.

All GET and without any effect; a name that leads out of the folder is no recording. What a page
says amiss is brought into range or answered with a sentence.
"""

import json
import math
from collections.abc import Callable
from typing import Any, Final

from fastapi import FastAPI
from fastapi.responses import Response

from dashboard.figures.sheet import make_sheet
from dashboard.replay import recording_view
from dashboard.replay.excursion_rows import excursion_details
from dashboard.replay.limits_token import decode_token
from dashboard.replay.overlay import OverlayRequest, alignment_choices, draw_with_overlay
from dashboard.replay.recording_list import recording_list
from dashboard.replay.recording_view import DrawOptions
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.theme import LIGHT, THEMES, reader_zone
from dashboard.text.units import Displays, select_displays
from logger.errors import DutytraceError
from logger.limits.limit import check_for_bench
from replay.excursions.applied_limits import AppliedLimits, hypothetical_limits, recorded_limits
from replay.recording import Recording

__all__ = ["REPLAY_VIEW_PATH", "add_replay_routes", "json_answer"]

REPLAY_VIEW_PATH: Final = "/past"
MIN_WINDOW_S: Final = 0.05


def add_replay_routes(server: FastAPI, cache: RecordingCache) -> None:
    """Add the routes; each runs on a worker thread, since each reads disk."""

    def listed(offset_min: float = 0.0) -> Response:
        return json_answer(lambda: recording_list(cache, reader_zone(offset_min)))

    def applied_limits(recording: Recording, judged: str) -> AppliedLimits:
        """Return the limits that judge: those that were in force, or those of the address."""
        if not judged:
            return recorded_limits(recording)
        limits = decode_token(judged)
        check_for_bench(limits, recording.bench, "limits in the address")
        return hypothetical_limits(recording, limits)

    def opened(
        name: str,
        *,
        width: float = 900,
        height: float = 440,
        form: str = "normal",
        theme: str = "light",
        position: str = "",
        speed: str = "",
        offset_min: float = 0.0,
        judged: str = "",
    ) -> Response:
        options = _draw_options(form, width, height, theme, select_displays(position, speed))

        def make_view() -> dict[str, Any]:
            recording = cache.open_recording(name)
            return recording_view.open_view(
                recording, options, reader_zone(offset_min), applied_limits(recording, judged)
            )

        return json_answer(make_view)

    def excursions(
        name: str,
        *,
        first: int,
        count: int,
        position: str = "",
        speed: str = "",
        judged: str = "",
    ) -> Response:
        displays = select_displays(position, speed)

        def make_details() -> dict[str, Any]:
            recording = cache.open_recording(name)
            applied = applied_limits(recording, judged)
            return {
                "details": excursion_details(recording, applied, displays, first=first, count=count)
            }

        return json_answer(make_details)

    def rows(
        name: str,
        *,
        start: float,
        end: float,
        width: float = 900,
        height: float = 440,
        form: str = "normal",
        theme: str = "light",
        position: str = "",
        speed: str = "",
        over: str = "",
        shift: float = 0.0,
        offset_min: float = 0.0,
        judged: str = "",
    ) -> Response:
        options = _draw_options(form, width, height, theme, select_displays(position, speed))
        overlay_request = OverlayRequest(name=over, shift_s=shift, where=reader_zone(offset_min))

        def make_figure() -> dict[str, Any]:
            recording = cache.open_recording(name)
            from_s, to_s = _clip_span(recording, start, end)
            applied = applied_limits(recording, judged)
            return draw_with_overlay(
                overlay_request,
                cache,
                recording,
                lambda overlay: recording_view.window_figure(
                    recording, from_s, to_s, options, overlay, applied=applied
                ),
            )

        return json_answer(make_figure)

    def span(
        name: str,
        *,
        start: float,
        end: float,
        position: str = "",
        speed: str = "",
        over: str = "",
        shift: float = 0.0,
        judged: str = "",
    ) -> Response:
        displays = select_displays(position, speed)
        overlay_request = OverlayRequest(name=over, shift_s=shift, where=reader_zone(0.0))

        def make_table() -> dict[str, Any]:
            recording = cache.open_recording(name)
            from_s, to_s = _clip_span(recording, start, end)
            applied = applied_limits(recording, judged)
            return draw_with_overlay(
                overlay_request,
                cache,
                recording,
                lambda overlay: recording_view.span_table(
                    recording, from_s, to_s, displays, overlay, applied=applied
                ),
            )

        return json_answer(make_table)

    def second(name: str, *, over: str, position: str = "", speed: str = "") -> Response:
        displays = select_displays(position, speed)
        return json_answer(
            lambda: alignment_choices(
                cache.open_recording(name), cache.open_recording(over), displays
            )
        )

    for path, route in (
        ("", listed),
        ("/{name}/opened", opened),
        ("/{name}/excursions", excursions),
        ("/{name}/rows", rows),
        ("/{name}/span", span),
        ("/{name}/over", second),
    ):
        server.add_api_route(REPLAY_VIEW_PATH + path, route, methods=["GET"], response_model=None)


def _draw_options(
    form: str, width: float, height: float, theme: str, displays: Displays
) -> DrawOptions:
    return DrawOptions(
        sheet=make_sheet(form, _finite_or(width, 900), _finite_or(height, 440)),
        theme=THEMES.get(theme, LIGHT),
        displays=displays,
    )


def _finite_or(value: float, otherwise: float) -> float:
    return value if math.isfinite(value) else otherwise


def _clip_span(recording: Recording, start: float, end: float) -> tuple[float, float]:
    """Return a span brought into the recording, never shorter than a twentieth of a second."""
    length = max((recording.end_ns - recording.start_ns) / 1e9, MIN_WINDOW_S)
    from_s = min(max(_finite_or(start, 0.0), 0.0), length - MIN_WINDOW_S)
    to_s = min(max(_finite_or(end, length), from_s + MIN_WINDOW_S), length)
    return from_s, to_s


def json_answer(make_content: Callable[[], dict[str, Any]]) -> Response:
    """Return what a piece of work gives as JSON, or the sentence in which it ended."""
    try:
        content, status = make_content(), 200
    except DutytraceError as fault:
        content, status = {"fault": str(fault)}, 404
    except OSError as fault:
        content, status = {"fault": f"The recording cannot be read: {fault}."}, 500
    body = json.dumps(content, allow_nan=False, separators=(",", ":"))
    return Response(body, status_code=status, media_type="application/json")
