"""What the Bus page shows of one recording: how its buses fared, and who talked in a short span.

Asks replay and puts the answers into words and figures; everything leaves as JSON can carry it.
Opening reads the figures of each second and a bounded sample of frames, however long the recording.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timezone
from typing import Any, Final

import numpy as np

from dashboard.bus.senders import talk_of
from dashboard.figures.buses import AwaySpan, BusRow, Told, buses_figure, buses_sheet
from dashboard.figures.sheet import Sheet
from dashboard.text.theme import Theme, clock, day, elapsed, grouped, number, span_words
from logger.joint.bench.bench import BusSettings
from logger.traffic.diagnosis import MOST_LOAD
from replay.bus_events import Away, Happening, aways, happenings, heard
from replay.bus_history import BusBuckets, BusSeconds, Totals, buckets, totals
from replay.recording import Recording
from replay.window import bin_width_ns

__all__ = ["Asked", "bus_page"]

S: Final = 1_000_000_000
PX_A_BUCKET: Final = 2
SHORTEST_VIEW_S: Final = 10.0
MOST_HAPPENED: Final = 200
LEAST_LOAD_PERCENT: Final = 10.0
"""The least that the load's axis reaches: a quiet bus is to look quiet."""
COUNT_WEIGHT: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a page asks for; nonsense is brought into range."""

    bus: int
    view: tuple[float, float] | None
    """Seconds since the start; None: the whole recording."""
    span: tuple[float, float] | None
    """None: the newest."""
    newest_s: float
    sheet: Sheet
    theme: Theme
    where: timezone


def bus_page(recording: Recording, seconds: BusSeconds, asked: Asked) -> dict[str, Any]:
    """Return everything that the page shows of a recording."""
    start, end = recording.start_ns, recording.end_ns
    length_s = max((end - start) / 1e9, 0.0)
    settings = recording.bench.buses
    chosen = min(max(asked.bus, 0), len(settings) - 1)
    away = aways(recording)
    view = _view(asked.view, length_s)
    told = happenings(recording)
    until = "" if recording.live else f" to {clock(end, asked.where)}"
    state = "still recording" if recording.live else f"{span_words(length_s)} long"
    fared = [totals(seconds.of(place)) for place in range(len(settings))]
    return {
        "path": recording.path.name,
        "name": recording.name,
        "live": recording.live,
        "when": f"{day(start, asked.where)}, {clock(start, asked.where)}{until}; {state}",
        "length_s": length_s,
        "view": list(view),
        "bus": chosen,
        "caution": _caution(recording, seconds),
        "buses": [
            _bus_words(one, fared[place], away, place, recording, each_bus=seconds.each_bus)
            for place, one in enumerate(settings)
        ],
        "figure": _figure(recording, seconds, asked, view=view, chosen=chosen, away=away),
        "happened": [
            _happened(one, recording, asked.where) for one in reversed(told[-MOST_HAPPENED:])
        ],
        "earlier": max(0, len(told) - MOST_HAPPENED),
        "events": sorted({round((one.time_ns - start) / 1e9, 3) for one in told}),
        "talk": _talk(recording, asked, chosen=chosen),
    }


def _caution(recording: Recording, seconds: BusSeconds) -> str:
    """Say what the recording cannot tell, empty if it tells all."""
    if not len(seconds):
        if recording.live:
            return "The first figures come after a second."
        return "This recording holds no figures of its buses; only its frames tell of them."
    if seconds.each_bus:
        return ""
    several = len(recording.bench.buses) > 1
    lacks = "nothing of single buses" if several else "no error frames"
    if np.isnan(seconds.load).all():
        lacks = f"no load and {lacks}"
    return (
        f"Second by second this recording tells {lacks}: it was made of a log or a simulation, or "
        "by a recorder that did not watch each bus. Who talked is worked out from its frames."
    )


def _view(view: tuple[float, float] | None, length_s: float) -> tuple[float, float]:
    whole = max(length_s, SHORTEST_VIEW_S)
    if view is None:
        return 0.0, whole
    wide = min(max(view[1] - view[0], SHORTEST_VIEW_S), whole)
    begin = min(max(view[0], 0.0), whole - wide)
    return begin, begin + wide


def _bus_words(
    settings: BusSettings,
    fared: Totals,
    away: Sequence[Away],
    place: int,
    recording: Recording,
    *,
    each_bus: bool,
) -> dict[str, Any]:
    mine = [one for one in away if one.bus in {None, place}]
    gone_s = sum(
        ((recording.end_ns if one.end_ns is None else one.end_ns) - one.start_ns) / 1e9
        for one in mine
    )
    known = each_bus or (len(recording.bench.buses) == 1)
    bitrate = "" if settings.bitrate is None else f", {_rate_words(settings.bitrate)}"
    shown = f"{settings.interface} {settings.channel}".strip()

    def of(mean: float, most: float, decimals: int) -> dict[str, str]:
        if not known or not math.isfinite(mean):
            return {"mean": "–", "most": "–"}
        if decimals:
            return {"mean": number(mean, decimals), "most": number(most, decimals)}
        return {"mean": grouped(mean), "most": grouped(most)}

    def count(value: int, *, told: bool) -> str:
        return grouped(value) if told else "–"

    gone_now = any(one.bus == place and one.end_ns is None for one in mine)
    troubles = [
        word
        for word, here in (
            ("away", gone_now),
            ("error frames", bool(fared.error_frames)),
            ("frames lost", bool(fared.lost and known)),
            ("garbled", bool(fared.garbled)),
            ("requests unanswered", bool(fared.unanswered)),
            ("was away", bool(mine) and not gone_now),
            ("nearly full", fared.load_most > MOST_LOAD),
        )
        if here
    ]
    return {
        "name": settings.name,
        "where": f"{shown}{bitrate}",
        "load": of(fared.load_mean * 100, fared.load_most * 100, 1),
        "frames": of(fared.frames_per_s_mean, fared.frames_per_s_most, 0),
        "errors": count(fared.error_frames, told=each_bus),
        "remotes": count(fared.remote_frames, told=each_bus),
        "lost": count(fared.lost, told=known),
        "garbled": count(fared.garbled, told=each_bus),
        # Where nothing is asked, nothing can stay unanswered.
        "unanswered": count(fared.unanswered, told=each_bus and settings.send),
        "away": f"{len(mine)} times, {span_words(gone_s)}"
        if len(mine) > 1
        else f"once, {span_words(gone_s)}"
        if mine
        else "never",
        "mark": "none"
        if gone_now
        else "abnormal"
        if troubles
        else "normal"
        if each_bus
        else "none",
        "state": ", ".join(troubles[:3]) or ("in order" if each_bus else "not told"),
    }


def _rate_words(bitrate: int) -> str:
    if bitrate % 1_000_000 == 0:
        return f"{bitrate // 1_000_000} Mbit/s"
    return f"{bitrate / 1000:g} kbit/s"


def _figure(
    recording: Recording,
    seconds: BusSeconds,
    asked: Asked,
    *,
    view: tuple[float, float],
    chosen: int,
    away: Sequence[Away],
) -> dict[str, Any]:
    start = recording.start_ns
    begin_ns, end_ns = start + round(view[0] * 1e9), start + round(view[1] * 1e9)
    bins = max(40, asked.sheet.plot_width // PX_A_BUCKET)
    width_ns = max(bin_width_ns(end_ns - begin_ns, bins=bins), S)
    places = range(len(recording.bench.buses)) if seconds.each_bus else (0,)
    found = {
        place: buckets(seconds.of(place), begin_ns, end_ns, width_ns=width_ns) for place in places
    }
    rows = _rows(
        recording,
        found,
        chosen if seconds.each_bus else 0,
        width_ns=width_ns,
        each_bus=seconds.each_bus,
    )
    return buses_figure(
        rows,
        aways=_away_spans(recording, away),
        told=[
            Told(at_s=(event.time_ns - start) / 1e9, text=f"{grouped(event.value)} frames lost")
            for event in recording.events()
            if event.kind == "dropped" and begin_ns <= event.time_ns <= end_ns
        ],
        start_s=view[0],
        end_s=view[1],
        epoch_ms=start / 1e6,
        sheet=buses_sheet(asked.sheet, len(rows)),
        theme=asked.theme,
    )


def _rows(
    recording: Recording,
    found: dict[int, BusBuckets],
    chosen: int,
    *,
    width_ns: int,
    each_bus: bool,
) -> list[BusRow]:
    """Return the load of each bus, and of the chosen one what came and what did not."""
    start_ns = recording.start_ns
    several = len(found) > 1
    names = [bus.name for bus in recording.bench.buses]
    bucket = f"of {span_words(width_ns / 1e9)}" if width_ns > S else "each second"
    small = ("mean and range", bucket) if width_ns > S else (bucket,)
    loads = {place: one for place, one in found.items() if np.isfinite(one.load[2]).any()}
    high = max(
        [LEAST_LOAD_PERCENT, *(100.0 * float(np.nanmax(one.load[2])) for one in loads.values())]
    )
    rows = []
    for place, one in loads.items():
        rows.append(
            BusRow(
                title="Load" + (f", {names[place]}" if several else ""),
                whose="" if each_bus or len(names) == 1 else "of the fullest bus",
                unit="%",
                small=small,
                bus=place,
                weight=0.8 if several else 1.0,
                decimals=1,
                x=_middles(one, start_ns),
                width_s=width_ns / 1e9,
                least=one.load[0] * 100,
                mean=one.load[1] * 100,
                most=one.load[2] * 100,
                high=high,
                level=MOST_LOAD * 100,
                level_text=f"{MOST_LOAD:.0%}: too full",
            )
        )
    one = found[chosen]
    whose = "" if each_bus or len(names) == 1 else "all buses"
    of = f", {names[chosen]}" if several else ""
    rows.append(
        BusRow(
            title=f"Frames{of}",
            whose=whose,
            unit="1/s",
            small=small,
            bus=chosen,
            weight=1.0,
            decimals=0,
            x=_middles(one, start_ns),
            width_s=width_ns / 1e9,
            least=one.frames_per_s[0],
            mean=one.frames_per_s[1],
            most=one.frames_per_s[2],
            high=10.0,
        )
    )
    counted = [("Lost", "frames", one.lost)]
    if each_bus:
        counted.insert(0, ("Errors", "error frames", one.error_frames))
    if one.garbled.any():
        counted.append(("Garbled", "lines or frames", one.garbled))
    if one.unanswered.any():
        counted.append(("Unanswered", "requests", one.unanswered))
    for title, unit, counts in counted:
        most = counts.astype(float)
        rows.append(
            BusRow(
                title=f"{title}{of}",
                whose=whose,
                unit=unit,
                small=("in " + bucket.removeprefix("of "),) if width_ns > S else (bucket,),
                bus=chosen,
                weight=COUNT_WEIGHT,
                decimals=0,
                x=_middles(one, start_ns),
                width_s=width_ns / 1e9,
                least=most,
                mean=most,
                most=most,
                counted=True,
                high=1.0,
            )
        )
    return rows


def _middles(one: BusBuckets, start_ns: int) -> "np.ndarray[Any, np.dtype[np.float64]]":
    middles: np.ndarray[Any, np.dtype[np.float64]] = (
        one.start_ns + one.width_ns // 2 - start_ns
    ) / 1e9
    return middles


def _away_spans(recording: Recording, away: Sequence[Away]) -> list[AwaySpan]:
    spans = []
    several = len(recording.bench.buses) > 1
    for one in away:
        name = "" if one.bus is None or not several else f"{recording.bench.buses[one.bus].name}: "
        what = "nobody recorded" if one.bus is None else f"{name}bus away"
        begin_s = (one.start_ns - recording.start_ns) / 1e9
        if one.end_ns is None:
            spans.append(AwaySpan(bus=one.bus, start_s=begin_s, end_s=None, text=f"{what} for "))
            continue
        end_s = (one.end_ns - recording.start_ns) / 1e9
        text = f"{what}, {span_words(end_s - begin_s)}"
        spans.append(AwaySpan(bus=one.bus, start_s=begin_s, end_s=end_s, text=text))
    return spans


def _happened(one: Happening, recording: Recording, where: timezone) -> dict[str, Any]:
    at_s = (one.time_ns - recording.start_ns) / 1e9
    marks = {"bus lost": "none", "bus back": "normal", "continued": "normal"}
    return {
        "at_s": at_s,
        "at": elapsed(at_s),
        "clock": clock(one.time_ns, where),
        "mark": marks.get(one.kind, "abnormal"),
        "kind": one.kind,
        "bus": one.bus,
        "text": one.text,
    }


def _talk(recording: Recording, asked: Asked, *, chosen: int) -> dict[str, Any] | None:
    """Return who talked in the span that is looked at; None while there is no frame at all."""
    newest_ns = recording.newest_frame_ns()
    if newest_ns is None:
        return None
    start, end = recording.start_ns, recording.end_ns
    if asked.span is None:
        # After its end what was newest is asked for: joints that were switched off say nothing.
        end_ns = max(end, newest_ns + 1) if recording.live else newest_ns + 1
        begin_ns = max(start, end_ns - round(asked.newest_s * 1e9))
        found = heard(recording, begin_ns, end_ns, newest=True)
    else:
        begin_ns = start + round(asked.span[0] * 1e9)
        end_ns = max(start + round(asked.span[1] * 1e9), begin_ns + 1)
        found = heard(recording, begin_ns, end_ns)
    return talk_of(found, chosen, start_ns=start, asked_s=(end_ns - begin_ns) / 1e9)
