"""What the Bus page shows of one recording: how its buses fared, and who talked in a short span.

Asks replay and puts the answers into words and figures; everything leaves as JSON can carry it.
Opening reads the figures of each second and a bounded sample of frames, however long the recording.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final

import numpy as np

from dashboard.bus.senders import message_table
from dashboard.figures.buses import BusRow, LaneMark, OutageSpan, buses_figure, buses_sheet
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
from logger.event_kind import EventKind
from logger.joint.bench.bench import BusSettings
from logger.traffic.diagnosis import MAX_LOAD
from replay.bus_events import BusEvent, Outage, find_outages, list_bus_events, sample_traffic
from replay.bus_history import BusBuckets, BusSeconds, BusTotals, bus_totals, to_bus_buckets
from replay.recording import Recording
from replay.window import bin_width_ns

__all__ = ["BusViewRequest", "bus_view"]

SECOND_NS: Final = 1_000_000_000
BUS_PX_PER_BUCKET: Final = 2
MIN_VIEW_S: Final = 10.0
MAX_BUS_EVENTS: Final = 200
MIN_LOAD_AXIS_PERCENT: Final = 10.0
"""The least that the load's axis reaches: a quiet bus is to look quiet."""
COUNT_ROW_WEIGHT: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class BusViewRequest:
    """What a page asks for; nonsense is brought into range."""

    bus: int
    view: tuple[float, float] | None
    """Seconds since the start; None: the whole recording."""
    span: tuple[float, float] | None
    """None: the newest."""
    newest_s: float
    sheet: Sheet
    theme: Theme
    zone: tzinfo


def bus_view(recording: Recording, seconds: BusSeconds, request: BusViewRequest) -> dict[str, Any]:
    """Return everything that the page shows of a recording."""
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
                one, totals_by_bus[index], outages, index, recording, each_bus=seconds.each_bus
            )
            for index, one in enumerate(settings)
        ],
        "figure": _bus_figure(
            recording, seconds, request, view=view, bus_index=bus_index, outages=outages
        ),
        "events": [
            _bus_event_row(one, recording, request.zone)
            for one in reversed(events[-MAX_BUS_EVENTS:])
        ],
        "earlier": max(0, len(events) - MAX_BUS_EVENTS),
        "event_times_s": sorted({round((one.time_ns - start) / 1e9, 3) for one in events}),
        "traffic": _sample_messages(recording, request, bus_index=bus_index),
    }


def _missing_text(recording: Recording, seconds: BusSeconds) -> str:
    """Return what is not known of the recording's buses, in a sentence; empty if all is."""
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
    return {
        "name": settings.name,
        "where": f"{channel_text}{bitrate}",
        "load": mean_and_max(totals.load_mean * 100, totals.load_max * 100, 1),
        "frames": mean_and_max(totals.frames_per_s_mean, totals.frames_per_s_max, 0),
        "errors": count_text(totals.error_frames, is_known=each_bus),
        "remotes": count_text(totals.remote_frames, is_known=each_bus),
        "lost": count_text(totals.lost, is_known=has_totals),
        "garbled": count_text(totals.garbled, is_known=each_bus),
        # Where nothing is asked, nothing can stay unanswered.
        "unanswered": count_text(totals.unanswered, is_known=each_bus and settings.send),
        "away": f"{len(own_outages)} times, {format_duration(outage_s)}"
        if len(own_outages) > 1
        else f"once, {format_duration(outage_s)}"
        if own_outages
        else "never",
        "mark": "none" if is_out else "abnormal" if troubles else "normal" if each_bus else "none",
        "state": ", ".join(troubles[:3]) or ("in order" if each_bus else "not reported"),
    }


def _bitrate_text(bitrate: int) -> str:
    if bitrate % 1_000_000 == 0:
        return f"{bitrate // 1_000_000} Mbit/s"
    return f"{bitrate / 1000:g} kbit/s"


def _bus_figure(
    recording: Recording,
    seconds: BusSeconds,
    request: BusViewRequest,
    *,
    view: tuple[float, float],
    bus_index: int,
    outages: Sequence[Outage],
) -> dict[str, Any]:
    start = recording.start_ns
    begin_ns, end_ns = start + round(view[0] * 1e9), start + round(view[1] * 1e9)
    bins = max(40, request.sheet.plot_width // BUS_PX_PER_BUCKET)
    width_ns = max(bin_width_ns(end_ns - begin_ns, bins=bins), SECOND_NS)
    bus_indices = range(len(recording.bench.buses)) if seconds.each_bus else (0,)
    buckets_by_bus = {
        index: to_bus_buckets(seconds.for_bus(index), begin_ns, end_ns, width_ns=width_ns)
        for index in bus_indices
    }
    rows = _bus_rows(
        recording,
        buckets_by_bus,
        bus_index if seconds.each_bus else 0,
        width_ns=width_ns,
        each_bus=seconds.each_bus,
    )
    return buses_figure(
        rows,
        outages=_outage_spans(recording, outages),
        marks=[
            LaneMark(
                at_s=(event.time_ns - start) / 1e9,
                text=f"{format_thousands(event.value)} frames lost",
            )
            for event in recording.read_events()
            if event.kind == EventKind.DROPPED and begin_ns <= event.time_ns <= end_ns
        ],
        start_s=view[0],
        end_s=view[1],
        epoch_ms=start / 1e6,
        zone=request.zone,
        sheet=buses_sheet(request.sheet, len(rows)),
        theme=request.theme,
    )


def _bus_rows(
    recording: Recording,
    buckets_by_bus: dict[int, BusBuckets],
    bus_index: int,
    *,
    width_ns: int,
    each_bus: bool,
) -> list[BusRow]:
    """Return the load of each bus, and of the chosen one what came and what did not."""
    start_ns = recording.start_ns
    several = len(buckets_by_bus) > 1
    names = [bus.name for bus in recording.bench.buses]
    bucket = f"of {format_duration(width_ns / 1e9)}" if width_ns > SECOND_NS else "each second"
    small = ("mean and range", bucket) if width_ns > SECOND_NS else (bucket,)
    loads = {
        index: buckets
        for index, buckets in buckets_by_bus.items()
        if np.isfinite(buckets.load[2]).any()
    }
    high = max(
        [
            MIN_LOAD_AXIS_PERCENT,
            *(100.0 * float(np.nanmax(buckets.load[2])) for buckets in loads.values()),
        ]
    )
    rows = []
    for index, buckets in loads.items():
        rows.append(
            BusRow(
                title="Load" + (f", {names[index]}" if several else ""),
                scope="" if each_bus or len(names) == 1 else "of the fullest bus",
                unit="%",
                notes=small,
                bus=index,
                weight=0.8 if several else 1.0,
                decimals=1,
                x=_bucket_middles_s(buckets, start_ns),
                width_s=width_ns / 1e9,
                minimum=buckets.load[0] * 100,
                mean=buckets.load[1] * 100,
                maximum=buckets.load[2] * 100,
                min_axis_top=high,
                level=MAX_LOAD * 100,
                level_text=f"{MAX_LOAD:.0%}: too full",
            )
        )
    buckets = buckets_by_bus[bus_index]
    scope = "" if each_bus or len(names) == 1 else "all buses"
    name_text = f", {names[bus_index]}" if several else ""
    rows.append(
        BusRow(
            title=f"Frames{name_text}",
            scope=scope,
            unit="1/s",
            notes=small,
            bus=bus_index,
            weight=1.0,
            decimals=0,
            x=_bucket_middles_s(buckets, start_ns),
            width_s=width_ns / 1e9,
            minimum=buckets.frames_per_s[0],
            mean=buckets.frames_per_s[1],
            maximum=buckets.frames_per_s[2],
            min_axis_top=10.0,
        )
    )
    count_rows = [("Lost", "frames", buckets.lost)]
    if each_bus:
        count_rows.insert(0, ("Errors", "error frames", buckets.error_frames))
    if buckets.garbled.any():
        count_rows.append(("Garbled", "lines or frames", buckets.garbled))
    if buckets.unanswered.any():
        count_rows.append(("Unanswered", "requests", buckets.unanswered))
    for title, unit, counts in count_rows:
        values = counts.astype(float)
        rows.append(
            BusRow(
                title=f"{title}{name_text}",
                scope=scope,
                unit=unit,
                notes=("in " + bucket.removeprefix("of "),) if width_ns > SECOND_NS else (bucket,),
                bus=bus_index,
                weight=COUNT_ROW_WEIGHT,
                decimals=0,
                x=_bucket_middles_s(buckets, start_ns),
                width_s=width_ns / 1e9,
                minimum=values,
                mean=values,
                maximum=values,
                is_count=True,
                min_axis_top=1.0,
            )
        )
    return rows


def _bucket_middles_s(
    buckets: BusBuckets, start_ns: int
) -> "np.ndarray[Any, np.dtype[np.float64]]":
    middles: np.ndarray[Any, np.dtype[np.float64]] = (
        buckets.start_ns + buckets.width_ns // 2 - start_ns
    ) / 1e9
    return middles


def _outage_spans(recording: Recording, outages: Sequence[Outage]) -> list[OutageSpan]:
    spans = []
    several = len(recording.bench.buses) > 1
    for outage in outages:
        name = (
            ""
            if outage.bus is None or not several
            else f"{recording.bench.buses[outage.bus].name}: "
        )
        cause = "not recorded" if outage.bus is None else f"{name}bus lost"
        begin_s = (outage.start_ns - recording.start_ns) / 1e9
        if outage.end_ns is None:
            spans.append(
                OutageSpan(bus=outage.bus, start_s=begin_s, end_s=None, text=f"{cause} for ")
            )
            continue
        end_s = (outage.end_ns - recording.start_ns) / 1e9
        text = f"{cause}, {format_duration(end_s - begin_s)}"
        spans.append(OutageSpan(bus=outage.bus, start_s=begin_s, end_s=end_s, text=text))
    return spans


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


def _sample_messages(
    recording: Recording, request: BusViewRequest, *, bus_index: int
) -> dict[str, Any] | None:
    """Return who talked in the span that is looked at; None while there is no frame at all."""
    newest_ns = recording.newest_frame_ns()
    if newest_ns is None:
        return None
    start, end = recording.start_ns, recording.end_ns
    if request.span is None:
        # After its end what was newest is asked for: joints that were switched off say nothing.
        end_ns = max(end, newest_ns + 1) if recording.live else newest_ns + 1
        begin_ns = max(start, end_ns - round(request.newest_s * 1e9))
        sample = sample_traffic(recording, begin_ns, end_ns, newest=True)
    else:
        begin_ns = start + round(request.span[0] * 1e9)
        end_ns = max(start + round(request.span[1] * 1e9), begin_ns + 1)
        sample = sample_traffic(recording, begin_ns, end_ns)
    return message_table(sample, bus_index, start_ns=start, requested_s=(end_ns - begin_ns) / 1e9)
