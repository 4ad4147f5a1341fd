"""What a person types for the ambient: a temperature, a channel, or dated readings. Pure.

23degC                        one temperature, all the time
room.temperature_ambient_degC a channel of the joint or of a joined instrument
09:00 22.5degC                a reading at a time; several of them
"""
# ruff: noqa: N802 - units are written as units are

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

from logger.arrays import to_ns
from logger.errors import InputError
from logger.joint.channels import channel_named
from replay.heat.bins import SensorSource
from replay.heat.dated_ambient import NEAREST_S, DatedReading
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.fit import AmbientChoice
from replay.heat.trace import SensorPlace
from replay.recording import Recording

__all__ = ["ambient_choice", "ambient_texts", "settled_ambient", "temperature_degC"]

_TEMPERATURE: Final = re.compile(r"\s*([+-]?\d+(?:\.\d+)?)\s*(?:degC|°C|C)?\s*")
_DATED: Final = re.compile(
    r"\s*(?:(?P<date>\d{4}-\d\d-\d\d)[T ]\s*)?(?P<time>\d{1,2}:\d\d(?::\d\d)?)"
    r"(?P<offset>Z|[+-]\d\d:\d\d)?\s+(?P<temperature>\S.*)"
)
_STATED_AMBIENT: Final = "temperature_ambient_degC"
_WHERE: Final = "--ambient"
_SEPARATOR: Final = ";"
"""Between readings that are typed into one field."""
_EXAMPLE: Final = "09:00 22.5degC or 2026-11-25 09:00 22.5degC"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def temperature_degC(text: str, where: str) -> float:
    """Return a temperature such as 23degC or 23.5.

    Raises
    ------
    InputError
        It is none, or below -60 or above 250 degC, which no sensor here reads.
    """
    match = _TEMPERATURE.fullmatch(text)
    channel = channel_named(_STATED_AMBIENT)
    if match is None or not channel.lowest <= float(match[1]) <= channel.highest:
        span = f"from {channel.lowest:g} to {channel.highest:g} degC"
        raise InputError(
            where=where, found=repr(text), expected=f"a temperature {span}, such as 80degC"
        )
    return float(match[1])


def ambient_texts(text: str) -> tuple[str, ...]:
    """Return what was typed into one field, readings with ; between them, one text each."""
    return tuple(part.strip() for part in text.split(_SEPARATOR) if part.strip())


def settled_ambient(text: str, recordings: Sequence[Recording], zone: tzinfo) -> str:
    """Return what was typed into one field so that it means the same to every reader.

    Readings are given their dates and the offset of the zone; all else stays as it was typed, and
    so does what is no reading: `ambient_choice` says why.

    Parameters
    ----------
    zone
        That of times that name none.
    """
    texts = ambient_texts(text)
    try:
        choice = _dated_choice(texts, recordings, zone, _WHERE) if _all_dated(texts) else None
    except InputError:
        choice = None
    if choice is None:
        return f"{_SEPARATOR} ".join(texts)
    ordered = sorted(choice.dated, key=lambda one: one.time_ns)
    return f"{_SEPARATOR} ".join(_reading_text(one, zone) for one in ordered)


def ambient_choice(
    texts: Sequence[str],
    recordings: Sequence[Recording],
    joint: str,
    *,
    where: str = _WHERE,
    zone: tzinfo | None = None,
) -> AmbientChoice:
    """Return where the ambient comes from; none is typed: the joint's own channel.

    Parameters
    ----------
    texts
        One temperature or channel, or a reading with its time each.
    where
        It was typed: what an error begins with.
    zone
        That of times that name none; None: the first recording's.

    Raises
    ------
    InputError
        It is neither a temperature nor a channel that is recorded, or a reading is none, or was
        not read during the recordings.
    """
    if not texts:
        return AmbientChoice()
    if _all_dated(texts):
        return _dated_choice(texts, recordings, zone or _zone_of(recordings[0]), where)
    if len(texts) > 1:
        bare = next(text for text in texts if ":" not in text)
        raise InputError(
            where=where,
            found=f"{len(texts)} of which {bare!r} has no time",
            expected=f"one, or a time with each, such as {_EXAMPLE}",
        )
    return _whole_choice(texts[0], recordings[0], joint, where)


def _all_dated(texts: Sequence[str]) -> bool:
    return bool(texts) and all(":" in text for text in texts)


def _dated_choice(
    texts: Sequence[str], recordings: Sequence[Recording], zone: tzinfo, where: str
) -> AmbientChoice:
    """Return the ambient of readings with their times."""
    readings = tuple(_dated_reading(text, recordings, zone, where) for text in texts)
    if len({one.time_ns for one in readings}) < len(readings):
        raise InputError(where=where, found="two readings of one time", expected="one of each")
    return AmbientChoice(dated=readings)


def _whole_choice(text: str, recording: Recording, joint: str, where: str) -> AmbientChoice:
    """Return the ambient of a temperature or a channel."""
    if _TEMPERATURE.fullmatch(text):
        return AmbientChoice(stated_degC=temperature_degC(text, where))
    owner, dot, channel = text.rpartition(".")
    if not dot:
        owner = joint if channel in recording.channels(joint) else ""
        # The channel of the only sensor that has it.
        having = [one for one in recording.bench.sensors if channel in recording.channels(one)]
        owner = owner or (having[0] if len(having) == 1 else joint)
    is_there = owner in recording.joints and channel in recording.channels(owner)
    if not is_there or channel_named(channel).quantity != "temperature":
        label = recording.bench.label_of(joint)
        raise HeatFault(HeatFaultKind.NO_AMBIENT, where=where, joint=label, found=repr(text))
    return AmbientChoice(
        source=SensorSource(place=SensorPlace.AMBIENT, joint=owner, channel=channel)
    )


def _dated_reading(
    text: str, recordings: Sequence[Recording], zone: tzinfo, where: str
) -> DatedReading:
    match = _DATED.fullmatch(text)
    if match is None:
        raise InputError(where=where, found=repr(text), expected=f"a reading such as {_EXAMPLE}")
    degC = temperature_degC(match["temperature"], where)  # noqa: N806 - the unit's own spelling
    times_ns = {
        _instant_ns(text, (date, match["time"], match["offset"]), zone, where)
        for date in ([match["date"]] if match["date"] else _dates(recordings, zone))
    }
    within = sorted(one for one in times_ns if _is_near(one, recordings))
    if len(within) == 1:
        return DatedReading(within[0], degC)
    spans = ", ".join(_span_text(one, zone) for one in recordings)
    if within:
        raise InputError(
            where=where,
            found=f"{text!r}, which may be of {len(within)} days",
            expected=f"its date before it, such as 2026-11-25 09:00 22.5degC; recorded: {spans}",
        )
    raise InputError(
        where=where,
        found=f"{text!r}, which was not read while it was recorded",
        expected=f"a time within {NEAREST_S / 60:.0f} min of what is recorded: {spans}",
    )


def _zone_of(recording: Recording) -> tzinfo:
    """Return the zone of times that name none: that of an imported table, else UTC."""
    table = recording.bench.table
    return UTC if table is None or table.zone == "UTC" else ZoneInfo(table.zone)


def _dates(recordings: Sequence[Recording], zone: tzinfo) -> list[str]:
    """Return each date of the recordings, and those before and after, where a zone is named."""
    dates = set()
    for one in recordings:
        day = _local(one.start_ns, zone).date() - timedelta(days=1)
        last = _local(one.end_ns, zone).date() + timedelta(days=1)
        while day <= last:
            dates.add(day.isoformat())
            day += timedelta(days=1)
    return sorted(dates)


def _instant_ns(text: str, named: tuple[str, str, str | None], zone: tzinfo, where: str) -> int:
    """Return the instant of a date, a time of day and an offset."""
    date, time, offset = named
    hour, rest = time.split(":", 1)
    try:
        moment = datetime.fromisoformat(f"{date}T{int(hour):02d}:{rest}{offset or ''}")
    except ValueError:
        raise InputError(
            where=where, found=f"{text!r}, whose time is none", expected=f"such as {_EXAMPLE}"
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    since = moment.astimezone(UTC) - _EPOCH
    return (since.days * 86_400 + since.seconds) * 1_000_000_000


def _is_near(time_ns: int, recordings: Sequence[Recording]) -> bool:
    reach_ns = to_ns(NEAREST_S)
    return any(one.start_ns - reach_ns <= time_ns <= one.end_ns + reach_ns for one in recordings)


def _local(time_ns: int, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(time_ns // 1_000_000_000, zone)


def _span_text(recording: Recording, zone: tzinfo) -> str:
    begin, end = _local(recording.start_ns, zone), _local(recording.end_ns, zone)
    until = f"{end:%H:%M}" if begin.date() == end.date() else f"{end:%Y-%m-%d %H:%M}"
    return f"{begin:%Y-%m-%d %H:%M} to {until} ({begin:%Z})"


def _reading_text(reading: DatedReading, zone: tzinfo) -> str:
    at = _local(reading.time_ns, zone)
    return f"{at.isoformat(' ', 'seconds' if at.second else 'minutes')} {reading.degC:g}degC"
