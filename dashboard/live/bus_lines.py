"""The buses of a recording with several, each in a few words, as one line of the Live page."""

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Final

from dashboard.live.joint_facts import JointFacts
from dashboard.live.snapshot import BusFacts
from dashboard.live.wire_messages import BusLine
from dashboard.text.format import format_duration, format_number, format_thousands
from replay.bus_events import find_outages
from replay.recording import Recording

__all__ = ["bus_lines", "lost_buses", "read_bus_facts"]

NEWEST_WITHIN_NS: Final = 5_000_000_000
"""A recorder that runs has written its statistics no longer ago."""


def lost_buses(recording: Recording) -> frozenset[int | None]:
    """Return the buses that cannot be reached; None for all of them."""
    return frozenset(one.bus for one in find_outages(recording) if one.end_ns is None)


def read_bus_facts(
    recording: Recording, lost: Collection[int | None] = frozenset()
) -> tuple[BusFacts, ...]:
    """Return the newest second of each bus; nothing of a recording with one.

    `lost`: as `lost_buses` says it.
    """
    count = len(recording.bench.buses)
    if count < 2:
        return ()
    end_ns = recording.end_ns
    table = recording.read_rows("buses", start_ns=end_ns - NEWEST_WITHIN_NS, end_ns=end_ns + 1)
    newest: Mapping[int, dict[str, object]] = {
        int(row["bus"]): row for row in table.sort_by("time").to_pylist()
    }
    return tuple(
        _facts(newest.get(bus), is_lost=bus in lost or None in lost) for bus in range(count)
    )


def _facts(row: Mapping[str, object] | None, *, is_lost: bool) -> BusFacts:
    if row is None:
        return BusFacts(is_lost=is_lost)

    def number(key: str) -> float:
        value = row[key]
        return math.nan if value is None else float(str(value))

    errors = number("error_frames")
    return BusFacts(
        frames_per_s=number("frames_per_s"),
        load=number("load"),
        error_frames=0 if math.isnan(errors) else round(errors),
        is_lost=is_lost,
    )


def bus_lines(
    recording: Recording, buses: Sequence[BusFacts], joints: Sequence[JointFacts]
) -> list[BusLine]:
    """Return the words of each bus: frames, load, and who on it is silent."""
    lines: list[BusLine] = []
    for index, bus in enumerate(buses):
        own = [one for one in joints if recording.bench.bus_of_joint(one.joint) == index]
        mark, says = _bus_words(recording, bus, own)
        lines.append(
            {
                "name": recording.bench.buses[index].name,
                "rate": _or_dash(bus.frames_per_s, format_thousands),
                "load": _or_dash(100 * bus.load, lambda value: format_number(value, 0)),
                "mark": mark,
                "says": says,
            }
        )
    return lines


def _or_dash(value: float, write: Callable[[float], str]) -> str:
    return write(value) if math.isfinite(value) else "–"


def _bus_words(
    recording: Recording, bus: BusFacts, joints: Sequence[JointFacts]
) -> tuple[str, str]:
    """Return the mark of a bus, "" where nothing has to be said of it, and its words."""
    if bus.is_lost:
        return "none", "not reached"
    silent = [one for one in joints if one.is_stale]
    if silent and recording.live:
        first = silent[0]
        label = recording.bench.label_of(first.joint)
        age = f" for {format_duration(first.age_s)}" if math.isfinite(first.age_s) else " so far"
        more = f" and {len(silent) - 1} more" if len(silent) > 1 else ""
        return "none", f"{label}{more} silent{'' if more else age}"
    if bus.error_frames:
        return "abnormal", f"{bus.error_frames} error frames a second"
    count = len(joints)
    received = "its joint heard" if count == 1 else f"all {count} joints heard"
    return "", received if recording.live and count else ""
