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

from dashboard.figures.sheet import sheet_of
from dashboard.replay import recording_view
from dashboard.replay.excursion_rows import details
from dashboard.replay.limits_token import limits_of
from dashboard.replay.overlay import Asked, about, drawn_over
from dashboard.replay.recording_list import catalogue
from dashboard.replay.recording_view import Drawn
from dashboard.server.recording_cache import Shelf
from dashboard.text.theme import LIGHT, THEMES, zone
from dashboard.text.units import Displays, displays_of
from logger.errors import DutytraceError
from logger.limits.limit import check_against
from replay.excursions.applied_limits import Watch, recorded, under
from replay.recording import Recording

__all__ = ["PAST_PATH", "add_view_routes", "answer"]

PAST_PATH: Final = "/past"
SHORTEST_S: Final = 0.05


def add_view_routes(server: FastAPI, shelf: Shelf) -> None:
    """Add the routes; each runs on a worker thread, since each reads disk."""

    def listed(offset_min: float = 0.0) -> Response:
        return answer(lambda: catalogue(shelf, zone(offset_min)))

    def watched(recording: Recording, judged: str) -> Watch:
        """Return the limits that judge: those that were in force, or those of the address."""
        if not judged:
            return recorded(recording)
        limits = limits_of(judged)
        check_against(limits, recording.bench, "limits in the address")
        return under(recording, limits)

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
        drawn = _drawn(form, width, height, theme, displays_of(position, speed))

        def work() -> dict[str, Any]:
            recording = shelf.open(name)
            return recording_view.opened(
                recording, drawn, zone(offset_min), watched(recording, judged)
            )

        return answer(work)

    def excursions(
        name: str,
        *,
        first: int,
        count: int,
        position: str = "",
        speed: str = "",
        judged: str = "",
    ) -> Response:
        displays = displays_of(position, speed)

        def work() -> dict[str, Any]:
            recording = shelf.open(name)
            watch = watched(recording, judged)
            return {"details": details(recording, watch, displays, first=first, count=count)}

        return answer(work)

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
        drawn = _drawn(form, width, height, theme, displays_of(position, speed))
        asked = Asked(name=over, shift_s=shift, where=zone(offset_min))

        def work() -> dict[str, Any]:
            recording = shelf.open(name)
            from_s, to_s = _within(recording, start, end)
            watch = watched(recording, judged)
            return drawn_over(
                asked,
                shelf,
                recording,
                lambda laid: recording_view.rows(recording, from_s, to_s, drawn, laid, watch=watch),
            )

        return answer(work)

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
        displays = displays_of(position, speed)
        asked = Asked(name=over, shift_s=shift, where=zone(0.0))

        def work() -> dict[str, Any]:
            recording = shelf.open(name)
            from_s, to_s = _within(recording, start, end)
            watch = watched(recording, judged)
            return drawn_over(
                asked,
                shelf,
                recording,
                lambda laid: recording_view.span(
                    recording, from_s, to_s, displays, laid, watch=watch
                ),
            )

        return answer(work)

    def second(name: str, *, over: str, position: str = "", speed: str = "") -> Response:
        displays = displays_of(position, speed)
        return answer(lambda: about(shelf.open(name), shelf.open(over), displays))

    for path, route in (
        ("", listed),
        ("/{name}/opened", opened),
        ("/{name}/excursions", excursions),
        ("/{name}/rows", rows),
        ("/{name}/span", span),
        ("/{name}/over", second),
    ):
        server.add_api_route(PAST_PATH + path, route, methods=["GET"], response_model=None)


def _drawn(form: str, width: float, height: float, theme: str, displays: Displays) -> Drawn:
    return Drawn(
        sheet=sheet_of(form, _finite(width, 900), _finite(height, 440)),
        theme=THEMES.get(theme, LIGHT),
        displays=displays,
    )


def _finite(value: float, otherwise: float) -> float:
    return value if math.isfinite(value) else otherwise


def _within(recording: Recording, start: float, end: float) -> tuple[float, float]:
    """Return a span brought into the recording, never shorter than a twentieth of a second."""
    length = max((recording.end_ns - recording.start_ns) / 1e9, SHORTEST_S)
    from_s = min(max(_finite(start, 0.0), 0.0), length - SHORTEST_S)
    to_s = min(max(_finite(end, length), from_s + SHORTEST_S), length)
    return from_s, to_s


def answer(work: Callable[[], dict[str, Any]]) -> Response:
    """Return what a piece of work gives as JSON, or the sentence in which it ended."""
    try:
        content, status = work(), 200
    except DutytraceError as fault:
        content, status = {"fault": str(fault)}, 404
    except OSError as fault:
        content, status = {"fault": f"The recording cannot be read: {fault}."}, 500
    body = json.dumps(content, allow_nan=False, separators=(",", ":"))
    return Response(body, status_code=status, media_type="application/json")
