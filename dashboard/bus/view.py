"""What the Bus page shows of one recording: statistics of its buses, and who sent in a short span.

Reads from replay and returns words and figures that JSON can carry: the statistics of each second
and a bounded sample of frames, however long the recording is.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final

import numpy as np

from dashboard.bus.history_figure import history_figure
from dashboard.bus.senders import message_table
from dashboard.figures.sheet import Sheet
from dashboard.text.format import (
    format_clock,
    format_date_time,
    format_duration,
    format_elapsed,
    format_number,
    format_thousands,
)
from dashboard.text.theme import Theme
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.joint.bench.bench import BusSettings
from logger.traffic.diagnosis import MAX_LOAD, MAX_UNCLAIMED_SHARE
from replay.bus_events import (
    BusEvent,
    Outage,
    TrafficSample,
    find_outages,
    list_bus_events,
    sample_traffic,
)
from replay.bus_history import BusSeconds, BusTotals, bus_totals, mean_load, undecoded_share
from replay.recording import Recording

__all__ = ["BusViewRequest", "bus_view"]

MIN_VIEW_S: Final = 10.0
MAX_BUS_EVENTS: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class BusViewRequest:
    """What a page requests; values out of range are clipped."""

    bus: int
    view: tuple[float, float] | None
    """Seconds since the start; None: the whole recording."""
    span: tuple[float, float] | None
    """The span whose frames are evaluated, in seconds since the start; None: the newest."""
    newest_s: float
    sheet: Sheet
    theme: Theme
    zone: tzinfo


def bus_view(recording: Recording, seconds: BusSeconds, request: BusViewRequest) -> dict[str, Any]:
    """Return everything that the page shows of a recording.

    Raises
    ------
    InputError
        It has no bus.
    """
    if not recording.bench.buses:
        raise InputError(
            f"{recording.path.name}: it has no bus, for its readings come from a table of values."
        )
    start, end = recording.start_ns, recording.end_ns
    length_s = max((end - start) / 1e9, 0.0)
    settings = recording.bench.buses
    bus_index = min(max(request.bus, 0), len(settings) - 1)
    outages = find_outages(recording)
    view = _clip_view(request.view, length_s)
    events = list_bus_events(recording)
    until = "" if recording.live else f" to {format_clock(end, request.zone)}"
    state = "still recording" if recording.live else f"{format_duration(length_s)} long"
    totals_by_bus = [bus_totals(seconds.for_bus(index)) for index in range(len(settings))]
    sample = _sample_traffic(recording, request)
    undecoded = _undecoded_shares(recording, sample)
    return {
        "path": recording.path.name,
        "name": recording.name,
        "live": recording.live,
        "when": f"{format_date_time(start, request.zone)}{until}; {state}",
        "length_s": length_s,
        "view": list(view),
        "bus": bus_index,
        "caution": _missing_text(recording, seconds),
        "buses": [
            _bus_summary(
                bus,
                totals_by_bus[index],
                outages,
                index,
                recording,
                each_bus=seconds.each_bus,
                undecoded=undecoded[index],
            )
            for index, bus in enumerate(settings)
        ],
        "figure": history_figure(
            recording,
            seconds,
            view,
            bus_index=bus_index,
            outages=outages,
            sheet=request.sheet,
            theme=request.theme,
            zone=request.zone,
        ),
        "events": [
            _bus_event_row(event, recording, request.zone)
            for event in reversed(events[-MAX_BUS_EVENTS:])
        ],
        "earlier": max(0, len(events) - MAX_BUS_EVENTS),
        "event_times_s": sorted({round((event.time_ns - start) / 1e9, 3) for event in events}),
        "traffic": _sample_messages(recording, request, sample, seconds, bus_index=bus_index),
    }


def _missing_text(recording: Recording, seconds: BusSeconds) -> str:
    """Return what is not known of the buses of a recording, in a sentence; empty: all is known."""
    if not len(seconds):
        if recording.live:
            return "The first statistics come after a second."
        return "This recording holds no statistics of its buses; only its frames are evaluated."
    if seconds.each_bus:
        return ""
    several = len(recording.bench.buses) > 1
    lacks = "nothing of single buses" if several else "no error frames"
    if np.isnan(seconds.load).all():
        lacks = f"no load and {lacks}"
    return (
        f"Per second this recording holds {lacks}: it was made from a log or a simulation, or "
        "by a recorder that did not monitor each bus. Its senders are found from its frames."
    )


def _clip_view(view: tuple[float, float] | None, length_s: float) -> tuple[float, float]:
    full_s = max(length_s, MIN_VIEW_S)
    if view is None:
        return 0.0, full_s
    width_s = min(max(view[1] - view[0], MIN_VIEW_S), full_s)
    begin = min(max(view[0], 0.0), full_s - width_s)
    return begin, begin + width_s


def _bus_summary(
    settings: BusSettings,
    totals: BusTotals,
    outages: Sequence[Outage],
    bus_index: int,
    recording: Recording,
    *,
    each_bus: bool,
    undecoded: float,
) -> dict[str, Any]:
    own_outages = [outage for outage in outages if outage.bus in {None, bus_index}]
    outage_s = sum(
        ((recording.end_ns if outage.end_ns is None else outage.end_ns) - outage.start_ns) / 1e9
        for outage in own_outages
    )
    has_totals = each_bus or (len(recording.bench.buses) == 1)
    bitrate = "" if settings.bitrate is None else f", {_bitrate_text(settings.bitrate)}"
    channel_text = f"{settings.interface} {settings.channel}".strip()

    def mean_and_max(mean: float, maximum: float, decimals: int) -> dict[str, str]:
        if not has_totals or not math.isfinite(mean):
            return {"mean": "–", "maximum": "–"}
        if decimals:
            return {
                "mean": format_number(mean, decimals),
                "maximum": format_number(maximum, decimals),
            }
        return {"mean": format_thousands(mean), "maximum": format_thousands(maximum)}

    def count_text(value: int, *, is_known: bool) -> str:
        return format_thousands(value) if is_known else "–"

    is_out = any(outage.bus == bus_index and outage.end_ns is None for outage in own_outages)
    troubles = [
        word
        for word, here in (
            ("away", is_out),
            ("error frames", bool(totals.error_frames)),
            ("frames lost", bool(totals.lost and has_totals)),
            ("garbled", bool(totals.garbled)),
            ("requests unanswered", bool(totals.unanswered)),
            ("was lost", bool(own_outages) and not is_out),
            ("nearly full", totals.load_max > MAX_LOAD),
        )
        if here
    ]
    is_much_undecoded = undecoded > MAX_UNCLAIMED_SHARE
    # Frames of other nodes are no fault, but a bus of which much is not decoded is not "in order".
    fault_free = (
        f"{undecoded:.0%} not decoded".replace("%", "\u202f%")
        if is_much_undecoded
        else "in order"
        if each_bus
        else "not reported"
    )
    is_normal = each_bus and not is_much_undecoded
    return {
        "name": settings.name,
        "where": f"{channel_text}{bitrate}",
        "load": mean_and_max(totals.load_mean * 100, totals.load_max * 100, 1),
        "frames": mean_and_max(totals.frames_per_s_mean, totals.frames_per_s_max, 0),
        "errors": count_text(totals.error_frames, is_known=each_bus),
        "remotes": count_text(totals.remote_frames, is_known=each_bus),
        "lost": count_text(totals.lost, is_known=has_totals),
        "garbled": count_text(totals.garbled, is_known=each_bus),
        # Without requests there can be none unanswered.
        "unanswered": count_text(totals.unanswered, is_known=each_bus and settings.send),
        "away": f"{len(own_outages)} times, {format_duration(outage_s)}"
        if len(own_outages) > 1
        else f"once, {format_duration(outage_s)}"
        if own_outages
        else "never",
        "mark": "none" if is_out else "abnormal" if troubles else "normal" if is_normal else "none",
        "state": ", ".join(troubles[:3]) or fault_free,
    }


def _bitrate_text(bitrate: int) -> str:
    if bitrate % 1_000_000 == 0:
        return f"{bitrate // 1_000_000} Mbit/s"
    return f"{bitrate / 1000:g} kbit/s"


def _bus_event_row(event: BusEvent, recording: Recording, zone: tzinfo) -> dict[str, Any]:
    at_s = (event.time_ns - recording.start_ns) / 1e9
    marks = {
        EventKind.BUS_LOST: "none",
        EventKind.BUS_BACK: "normal",
        EventKind.CONTINUED: "normal",
    }
    return {
        "at_s": at_s,
        "at": format_elapsed(at_s),
        "clock": format_clock(event.time_ns, zone),
        "mark": marks.get(event.kind, "abnormal"),
        "kind": event.kind,
        "bus": event.bus,
        "text": event.text,
    }


def _undecoded_shares(recording: Recording, sample: TrafficSample | None) -> list[float]:
    """Return for each bus the share of its frames that were not decoded, NaN for none known.

    Over the recording where there is one bus; of several, whose frames are not counted apart, in
    the span that is shown.
    """
    if len(recording.bench.buses) == 1:
        return [undecoded_share(recording)]
    if sample is None:
        return [math.nan] * len(recording.bench.buses)
    return [
        sum(statistics.undecoded.values()) / max(statistics.frames + statistics.error_frames, 1)
        for statistics in sample.buses
    ]


def _requested_span(recording: Recording, request: BusViewRequest) -> tuple[int, int]:
    start, end = recording.start_ns, recording.end_ns
    if request.span is None:
        # Of a finished recording it is the span before its newest frame: joints may have been
        # switched off before its end.
        newest_ns = recording.newest_frame_ns() or start
        end_ns = max(end, newest_ns + 1) if recording.live else newest_ns + 1
        return max(start, end_ns - round(request.newest_s * 1e9)), end_ns
    begin_ns = start + round(request.span[0] * 1e9)
    return begin_ns, max(start + round(request.span[1] * 1e9), begin_ns + 1)


def _sample_traffic(recording: Recording, request: BusViewRequest) -> TrafficSample | None:
    """Return who sent in the requested span; None while there is no frame at all."""
    if recording.newest_frame_ns() is None:
        return None
    return sample_traffic(
        recording, *_requested_span(recording, request), newest=request.span is None
    )


def _sample_messages(
    recording: Recording,
    request: BusViewRequest,
    sample: TrafficSample | None,
    seconds: BusSeconds,
    *,
    bus_index: int,
) -> dict[str, Any] | None:
    if sample is None:
        return None
    begin_ns, end_ns = _requested_span(recording, request)
    return message_table(
        sample,
        bus_index,
        start_ns=recording.start_ns,
        requested_s=(end_ns - begin_ns) / 1e9,
        recorded_load=mean_load(seconds, bus_index, sample.start_ns, sample.end_ns)
        if seconds.each_bus
        else math.nan,
        labels=recording.bench.labels,
    )
