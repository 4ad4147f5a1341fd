"""Many joints as tiles, in words: the most urgent in full, the others as one quiet line each.

All temperatures stand on one scale, so that a row of them is a picture, too. A joint of which
something has to be said is in full, however many there are.
"""

import math
from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Final

from dashboard.figures.axes import temperature_scale
from dashboard.figures.pens import NO_PEN, Pens
from dashboard.live.drive_text import drive_text
from dashboard.live.joint_facts import JointFacts
from dashboard.live.joint_words import alert_state, level_marks, temperature_text
from dashboard.live.limit_time import limit_time
from dashboard.live.snapshot import LatestValues
from dashboard.live.wire_messages import LimitTime, Tiles, TileStatus
from dashboard.text.format import format_clock, format_duration, format_number, format_reading
from dashboard.text.units import Displays
from logger.limits.words import limit_label
from replay.recording import Recording
from replay.urgency import JointState

__all__ = ["MANY_JOINTS", "tiles_status"]

MANY_JOINTS: Final = 9
"""From so many joints on there are tiles in place of rows."""
LEAST_IN_FULL: Final = 6
_STATE_COUNTS: Final = (
    (JointState.TRIP, "tripped", "tripped"),
    (JointState.WARNING, "warns", "warn"),
    (JointState.SILENT, "silent", "silent"),
    (JointState.HEAT_UNKNOWN, "without a known temperature", "without a known temperature"),
)


def tiles_status(
    recording: Recording,
    joints: Sequence[JointFacts],
    latest: Mapping[str, LatestValues],
    worst_first: Sequence[str],
    *,
    pens: Pens,
    now_ns: int,
    zone: tzinfo,
    displays: Displays,
) -> Tiles:
    """Return the tiles of joints that are given in the order of the bench.

    Parameters
    ----------
    latest
        Joint -> its newest values.
    worst_first
        All these joints in the order of their places, of a moment ago.
    pens
        The joints that are drawn.
    now_ns
        The present on the recording's clock.
    """
    index_of = {one.joint: index for index, one in enumerate(joints)}
    # A state may be newer than the order: no joint that has just tripped stands among the quiet.
    order = sorted(
        (index_of[joint] for joint in worst_first),
        key=lambda index: joints[index].urgency.state_rank,
    )
    full = _in_full(recording, [joints[index] for index in order])
    in_full = set(order[:full])
    low, high = temperature_scale([level.pick_up for one in joints for level in one.levels])
    rest, rest_note = _rest_words(recording, [joints[index] for index in order[full:]])
    return {
        "low": low,
        "high": high,
        "order": order,
        "full": full,
        "summary": f"{_summary(recording, joints)}; rules from {low:g} to {high:g} °C",
        "rest": rest,
        "rest_note": rest_note,
        "joints": [
            _full_tile(
                recording,
                one,
                latest.get(one.joint),
                _quiet_tile(recording, one, pens),
                now_ns=now_ns,
                zone=zone,
                displays=displays,
            )
            if index in in_full
            else _quiet_tile(recording, one, pens)
            for index, one in enumerate(joints)
        ],
    }


def _in_full(recording: Recording, worst_first: Sequence[JointFacts]) -> int:
    """Return how many tiles are in full: every one of a joint that is not well."""
    if not recording.live:
        return LEAST_IN_FULL
    unwell = [place for place, one in enumerate(worst_first, 1) if not one.urgency.is_well]
    return max(LEAST_IN_FULL, *unwell[-1:], 0)


def _quiet_tile(recording: Recording, facts: JointFacts, pens: Pens) -> TileStatus:
    mark, state, state_note = alert_state(facts)
    temperature = facts.temperature
    tile: TileStatus = {
        "name": facts.joint,
        "label": recording.bench.label_of(facts.joint),
        "pen": pens.get(facts.joint, NO_PEN),
        "mark": mark,
        "state": state,
        "under": state_note,
        "stale": facts.is_stale,
        "temperature": format_reading(temperature) if math.isfinite(temperature) else "—",
        "limits": level_marks(facts.levels),
    }
    if math.isfinite(temperature):
        # A tenth of a kelvin is a fifth of a pixel.
        tile["now"] = round(temperature, 1)
    return tile


def _full_tile(
    recording: Recording,
    facts: JointFacts,
    latest: LatestValues | None,
    tile: TileStatus,
    *,
    now_ns: int,
    zone: tzinfo,
    displays: Displays,
) -> TileStatus:
    when, reaches = _forecast_words(recording, facts, now_ns, zone)
    tile["limit_time"] = when
    tile["reason"] = _reason(recording, facts, now_ns, zone, displays)
    if reaches is not None:
        tile["will"] = reaches
    drive = drive_text(recording, facts.joint, latest.values if latest else {}, now_ns)
    if "fault" in drive:
        tile["fault"] = f"{drive['fault']} {drive.get('fault_age', '')}".strip()
    return tile


def _forecast_words(
    recording: Recording, facts: JointFacts, now_ns: int, zone: tzinfo
) -> tuple[LimitTime, float | None]:
    """Return what is said of the time ahead, and the level that will be reached."""
    if facts.is_stale:
        label = "until it speaks" if recording.live else "since the recording stopped"
        return {"value": "not known", "detail": "", "label": label}, None
    slow = facts.slow
    if not facts.is_heat_known and slow is not None and math.isfinite(slow.rms_torque_Nm):
        rated = recording.bench.joint_named(facts.joint).rated.torque
        load: LimitTime = {
            "value": format_number(slow.rms_torque_Nm, 1),
            "detail": f"of {rated:g} N·m" if rated else "N·m",
            "label": "RMS torque, 1 min",
        }
        return load, None
    return limit_time(recording, facts, now_ns=now_ns, zone=zone)


def _reason(
    recording: Recording, facts: JointFacts, now_ns: int, zone: tzinfo, displays: Displays
) -> str:
    """Return why a joint has its place."""
    if facts.is_stale:
        if not math.isfinite(facts.age_s):
            return "nothing received yet"
        received = format_clock(now_ns - round(facts.age_s * 1e9), zone)
        return f"last heard {received}, {format_duration(facts.age_s)} ago"
    others = [alert for alert in facts.alerts if alert.channel != facts.channel]
    if others:
        # The worst, and of those the newest: the temperature stands there anyway.
        worst = min(others, key=lambda one: (one.severity != "trip", -one.number))
        limit = recording.limits.by_name(worst.limit)
        return worst.text if limit is None else limit_label(limit, displays)
    return temperature_text(facts)


def _summary(recording: Recording, joints: Sequence[JointFacts]) -> str:
    """Return how many joints are in which state, and which of the well ones is next."""
    counts = [
        (sum(one.state == state for one in joints), *words) for state, *words in _STATE_COUNTS
    ]
    parts = [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]
    faulty = sum(one.state == JointState.NORMAL and one.has_fault for one in joints)
    parts += [f"{faulty} with a fault of its drive"] if faulty else []
    well = [one for one in joints if one.urgency.is_well]
    text = ", ".join([*parts, f"{len(well)} well"])
    if not recording.live:
        return f"as last heard: {text}"
    soonest = min(well, key=lambda one: one.urgency.limit_in_s, default=None)
    if soonest is None or not math.isfinite(soonest.urgency.limit_in_s):
        return text
    above = next(level for level in soonest.levels if level.pick_up > soonest.temperature)
    does = "trips" if above.severity == "trip" else "warns"
    return f"{text}, of these one {does} {_in_minutes(soonest.urgency.limit_in_s)}"


def _in_minutes(seconds: float) -> str:
    """Return a time ahead in words that change once a minute at most."""
    minutes = round(seconds / 60)
    return "within a minute" if minutes < 1 else f"in {format_duration(60.0 * minutes)}"


def _rest_words(recording: Recording, quiet: Sequence[JointFacts]) -> tuple[str, str]:
    """Return the heading of the quiet tiles and what is said of all of them."""
    if not quiet:
        return "", ""
    heading = f"And {len(quiet)} that are well" if recording.live else f"And {len(quiet)} more"
    hottest = max((one.temperature for one in quiet), default=math.nan)
    below = f"all below {10 * math.floor(hottest / 10 + 1):g} °C; " if hottest == hottest else ""  # noqa: PLR0124
    return heading, f"{below}ticks at their limits"
