"""Where a planned motion comes from: a CSV file, or a span of a recording."""

from pathlib import Path
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints, to_s
from logger.joint.time_weighted import Buckets
from logger.settings_file import read_text
from logger.store.pyramid.seconds import BASE_NS
from replay.heat.planning.motion import MOTION_SPEED, Motion
from replay.heat.planning.motion_faults import MotionFault, MotionFaultKind
from replay.heat.planning.motion_table import motion_of_text
from replay.heat.text import duration_text
from replay.recording import Recording

__all__ = ["read_motion", "recorded_motion"]

MAX_FILE_BYTES: Final = 64 << 20
SECOND_HELD_SHARE: Final = 0.9
"""Of a second in which a load must be held; the load of the rest is taken to be the same."""


def read_motion(path: Path) -> Motion:
    """Return the motion of a CSV file with a head line.

    Raises
    ------
    InputError
        The file cannot be read.
    MotionFault
        It is no motion; its `kind` says why.
    """
    text = read_text(path, "motion file", max_bytes=MAX_FILE_BYTES)
    return motion_of_text(text, name=path.name, where=str(path))


def recorded_motion(
    recording: Recording, joint: str, load: str, *, start_ns: int, end_ns: int, name: str
) -> Motion:
    """Return the load and speed of a span as they were, second by second.

    Parameters
    ----------
    load
        The channel: what heat was fitted to.
    start_ns, end_ns
        Narrowed to whole seconds.

    Raises
    ------
    MotionFault
        The span is none, or no load is known in some second of it.
    """
    first, last = -(-start_ns // BASE_NS) * BASE_NS, end_ns // BASE_NS * BASE_NS
    if first < recording.start_ns // BASE_NS * BASE_NS or last > recording.end_ns or last <= first:
        lasts = duration_text((recording.end_ns - recording.start_ns) / 1e9)
        raise MotionFault(
            MotionFaultKind.NO_SPAN,
            where=recording.name,
            found=name,
            expected=f"a CSV file that is there, or a span within its {lasts}, such as 2min..5min",
        )
    seconds = np.arange(first, last, BASE_NS)
    found = recording.read_buckets(joint, load, first, last)
    held = np.zeros(len(seconds))
    held[(found.start_ns - first) // BASE_NS] = found.duration_s
    missing = int((held < SECOND_HELD_SHARE).sum())
    if missing:
        raise MotionFault(
            MotionFaultKind.GAP, where=recording.name, found=f"{missing} s without a load"
        )
    speed = speed_square = None
    if MOTION_SPEED in recording.channels(joint):
        turning = recording.read_buckets(joint, MOTION_SPEED, first, last)
        if len(turning):
            speed_square = _dense(seconds, turning, _mean_square(turning))
            one_way = (turning.minimum >= 0.0) | (turning.maximum <= 0.0)
            magnitude = np.where(one_way, np.abs(turning.mean), np.sqrt(_mean_square(turning)))
            speed = _dense(seconds, turning, magnitude)
    return Motion(
        name=name,
        duration_s=np.full(len(seconds), to_s(BASE_NS)),
        square=_dense(seconds, found, _mean_square(found)),
        load_channel=load,
        peak=float(np.maximum(np.abs(found.minimum), np.abs(found.maximum)).max()),
        speed=speed,
        speed_square=speed_square,
    )


def _mean_square(buckets: Buckets) -> Floats:
    return np.asarray(buckets.mean**2 + buckets.m2 / np.maximum(buckets.duration_s, 1e-9))


def _dense(seconds: Ints, buckets: Buckets, values: Floats) -> Floats:
    out = np.zeros(len(seconds))
    out[(buckets.start_ns - seconds[0]) // BASE_NS] = values
    return out
