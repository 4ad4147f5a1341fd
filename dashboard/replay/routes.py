"""The routes that Replay reads from: the list, a recording, a window of it, a span, a second one.

All GET and without any effect; a name that leads out of the folder is no recording. Parameters out
of range are clipped, or answered with a sentence (`server.error_answers`).
"""

from functools import partial
from typing import Annotated, Final

from fastapi import APIRouter, FastAPI, Query

from dashboard.drawn_joints import drawn_pens
from dashboard.figures.pens import Pens
from dashboard.replay import recording_view
from dashboard.replay.alert_order import AlertFilter
from dashboard.replay.excursion_rows import excursion_details
from dashboard.replay.limits_token import decode_token
from dashboard.replay.overlay import OverlayRequest, alignment_choices, draw_with_overlay
from dashboard.replay.recording_list import recording_list
from dashboard.replay.recording_view import DrawOptions
from dashboard.server.dependencies import OpenRecording, Recordings
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.queries import FigureQuery, RowsQuery, UnitsQuery, ZoneQuery, finite_or
from logger.limits.limit import check_for_bench
from replay.excursions.applied_limits import AppliedLimits, hypothetical_limits, recorded_limits
from replay.recording import Recording

__all__ = ["add_replay_routes"]

MIN_WINDOW_S: Final = 0.05
replay_routes = APIRouter(prefix="/api/recordings")


class LimitsQuery(UnitsQuery):
    """Other limits than those that were in force, and the reader's units."""

    judged: str = ""
    """A limits file as a token (`limits_token`); empty: the limits that were in force."""
    joints: str = ""
    """The joints that are drawn, one for each pen, with commas; empty: the most urgent."""

    def joint_pens(self, recording: Recording, applied: AppliedLimits) -> Pens:
        """Return the joints to draw, each with its pen."""
        return drawn_pens(recording, applied, self.joints.split(",") if self.joints else None)

    def applied_limits(self, recording: Recording) -> AppliedLimits:
        """Return the limits to show, and what they raised over a recording.

        Raises
        ------
        InputError
            The token cannot be read, or its limits do not fit the recording's bench.
        """
        if not self.judged:
            return recorded_limits(recording)
        limits = decode_token(self.judged)
        check_for_bench(limits, recording.bench, "limits in the address")
        return hypothetical_limits(recording, limits)


class OverviewQuery(FigureQuery, LimitsQuery, ZoneQuery):
    """How the figures of a recording are drawn."""

    @property
    def draw_options(self) -> DrawOptions:
        """Size, theme, units and zone of its figures."""
        return DrawOptions(
            sheet=self.sheet, theme=self.colours, displays=self.displays, zone=self.time_zone
        )


class SpanQuery(LimitsQuery, ZoneQuery, RowsQuery):
    """A span of a recording, and a second recording that is laid over it."""

    start: float
    end: float
    """Seconds since the start of the recording."""
    over: str = ""
    """The folder name of the second one."""
    shift: float = 0.0
    """By how many seconds it is moved; positive: later."""
    over_joints: str = ""
    """Which joint of it lies over which, "shoulder:elbow"; empty: each over the one of its name."""

    @property
    def overlay_request(self) -> OverlayRequest:
        """The requested second recording."""
        return OverlayRequest(
            name=self.over,
            shift_s=self.shift,
            zone=self.time_zone,
            choice=self.row_choice,
            joints=self.over_joints,
        )

    def clip_span(self, recording: Recording) -> tuple[float, float]:
        """Return the span clipped to a recording, never shorter than `MIN_WINDOW_S`."""
        length = max((recording.end_ns - recording.start_ns) / 1e9, MIN_WINDOW_S)
        start_s = min(max(finite_or(self.start, 0.0), 0.0), length - MIN_WINDOW_S)
        end_s = min(max(finite_or(self.end, length), start_s + MIN_WINDOW_S), length)
        return start_s, end_s


class WindowQuery(OverviewQuery, SpanQuery):
    """A window of a recording, how it is drawn, and a second recording over it."""


class ExcursionsQuery(LimitsQuery):
    """Which excursions, in the order of the list; empty: of any severity, joint, limit."""

    first: int
    count: int
    severity: str = ""
    joint: str = ""
    limit: str = ""


class AlignmentQuery(UnitsQuery):
    """A second recording."""

    over: str


@replay_routes.get("")
def list_recordings(recordings: Recordings, query: Annotated[ZoneQuery, Query()]) -> JsonAnswer:
    """Answer the list of recordings."""
    return JsonAnswer(recording_list(recordings, query.time_zone))


@replay_routes.get("/{name}/overview")
def show_overview(recording: OpenRecording, query: Annotated[OverviewQuery, Query()]) -> JsonAnswer:
    """Answer what is shown of a recording independently of the window."""
    applied = query.applied_limits(recording)
    pens = query.joint_pens(recording, applied)
    return JsonAnswer(recording_view.open_view(recording, query.draw_options, applied, pens))


@replay_routes.get("/{name}/excursions")
def show_excursions(
    recording: OpenRecording, query: Annotated[ExcursionsQuery, Query()]
) -> JsonAnswer:
    """Answer the lead-ups of some of the excursions."""
    details = excursion_details(
        recording,
        query.applied_limits(recording),
        query.displays,
        first=query.first,
        count=query.count,
        chosen=AlertFilter(severity=query.severity, joint=query.joint, limit=query.limit),
    )
    return JsonAnswer({"details": details})


@replay_routes.get("/{name}/window")
def show_window(
    recording: OpenRecording, recordings: Recordings, query: Annotated[WindowQuery, Query()]
) -> JsonAnswer:
    """Answer the figure of a window."""
    start_s, end_s = query.clip_span(recording)
    applied = query.applied_limits(recording)
    draw = partial(
        recording_view.window_figure,
        recording,
        start_s,
        end_s,
        query.draw_options,
        applied=applied,
        pens=query.joint_pens(recording, applied),
        choice=query.row_choice,
    )
    return JsonAnswer(draw_with_overlay(query.overlay_request, recordings, recording, draw))


@replay_routes.get("/{name}/span")
def show_span(
    recording: OpenRecording, recordings: Recordings, query: Annotated[SpanQuery, Query()]
) -> JsonAnswer:
    """Answer the exact statistics of a span."""
    start_s, end_s = query.clip_span(recording)
    applied = query.applied_limits(recording)
    draw = partial(
        recording_view.span_table,
        recording,
        start_s,
        end_s,
        query.displays,
        applied=applied,
        pens=query.joint_pens(recording, applied),
        choice=query.row_choice,
    )
    return JsonAnswer(draw_with_overlay(query.overlay_request, recordings, recording, draw))


@replay_routes.get("/{name}/alignment")
def show_alignment(
    recording: OpenRecording, recordings: Recordings, query: Annotated[AlignmentQuery, Query()]
) -> JsonAnswer:
    """Answer at which events a second recording can be aligned with this one."""
    return JsonAnswer(
        alignment_choices(recording, recordings.open_recording(query.over), query.displays)
    )


def add_replay_routes(server: FastAPI) -> None:
    """Add the routes; each runs on a worker thread, since each reads disk."""
    server.include_router(replay_routes)
