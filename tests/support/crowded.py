"""A recording that crowds a picture: long labels, five temperatures, breaks, chatter, notes, trips.

Ten minutes of the simulated joints. In three spans frames of one joint are missing, so its position
begins new segments; one limit on torque chatters; notes stand close together.
"""

from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np

from logger.event_kind import EventKind
from logger.importing.import_frames import ImportNotice, import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames

__all__ = ["ELBOW", "LENGTH_S", "SHOULDER", "START_NS", "S", "crowded_bench", "crowded_recording"]

S: Final = 1_000_000_000
START_NS: Final = 1_795_000_000 * S
LENGTH_S: Final = 600
RATE_HZ: Final = 10.0
SHOULDER: Final = "Left shoulder, pitch axis, bearing no. 7"
ELBOW: Final = "Left elbow, the one with the new grease"
PLACES: Final = ("bearing", "gear_input", "output_flange", "ambient")
"""Beside the drive and the housing that the layout has."""
_NODES: Final = {"shoulder": 3, "elbow": 4}
_BREAKS_S: Final = ((200.0, 202.5), (203.0, 205.5), (206.5, 209.0))
"""Spans in which the elbow says nothing: its encoder loses its turns."""
_NOTES: Final = (
    (90.0, "Fan taped over on purpose, to see how fast the housing follows"),
    (96.0, "Smells of varnish"),
    (101.0, "Fan free again"),
)
_LIMITS: Final = """format = 1
[[limit]]
name = "housing-warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = 68.0
drop_off = 67.0

[[limit]]
name = "shoulder-housing-hot-while-lifting"
kind = "level"
severity = "trip"
joint = "shoulder"
channel = "temperature_housing_degC"
above = 71.0
drop_off = 70.0

[[limit]]
name = "over-torque-of-a-single-stroke"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above = 4.0

[[limit]]
name = "winding"
kind = "level"
severity = "warning"
joint = "elbow"
channel = "temperature_winding_degC"
above = 90.0
"""


def _layout_text() -> str:
    text = scenario.scenario_layout_text(RATE_HZ)
    text += (
        '\n[[frame]]\nname = "places"\nidentifier = "0x5C1 + node * 7"\nlength = 4\nperiod_s = 1\n'
    )
    for byte, place in enumerate(PLACES):
        text += (
            f'\n  [[frame.value]]\n  channel = "temperature_{place}_degC"\n'
            f"  byte = {byte}\n  bits = 8\n"
        )
    return text


def crowded_bench() -> Bench:
    """Return the demo's bench with labels as long as they may be and four temperatures more."""
    text = scenario.scenario_bench_text("simulated")
    for name, label in (("shoulder", SHOULDER), ("elbow", ELBOW)):
        line = f'name       = "{name}"\n'
        text = text.replace(line, f'{line}label      = "{label}"\n')
    return bench_from_texts(text, {scenario.SCENARIO_LAYOUT: _layout_text()}, where="bench.toml")


def _place_frames(begin_s: int, end_s: int) -> FrameBatch:
    rows = [
        (
            START_NS + at_s * S + 700_000_000 + node,
            0x5C1 + node * 7,
            0,
            bytes((38 + at_s // 100, 41, 36, 22)),
        )
        for at_s in range(begin_s, end_s)
        for node in _NODES.values()
    ]
    return FrameBatch.from_rows(rows)


def _frames() -> Iterator[FrameBatch]:
    elbow = (0x4C1 + 7 * _NODES["elbow"], 0x5C1 + 7 * _NODES["elbow"])
    begin_s = 0
    made = simulate_frames(hours=LENGTH_S / 3600, rate_Hz=RATE_HZ, seed=3, start_ns=START_NS)
    for batch in made:
        end_s = min(LENGTH_S, int((batch.time_ns[-1] - START_NS) // S) + 1)
        both = FrameBatch.concatenate([batch, _place_frames(begin_s, end_s)])
        both = both.select_rows(np.argsort(both.time_ns, kind="stable"))
        at_s = (both.time_ns - START_NS) / S
        silent = np.zeros(len(both), bool)
        for start, stop in _BREAKS_S:
            silent |= (at_s >= start) & (at_s < stop)
        yield both.select_rows(np.flatnonzero(~(silent & np.isin(both.identifier, elbow))))
        begin_s = end_s


def crowded_recording(path: Path, *, name: str = "") -> Path:
    """Write the recording; returns its path."""
    notes = deque(
        ImportNotice(kind=EventKind.NOTE, time_ns=START_NS + round(at_s * S), text=text)
        for at_s, text in _NOTES
    )
    import_frames(
        _frames(),
        bench=crowded_bench(),
        limits=parse_limits(_LIMITS, "limits.toml"),
        out=path,
        name=name or "Soak of the left arm with new grease in the elbow, second attempt",
        start_ns=START_NS,
        end_ns=START_NS + LENGTH_S * S,
        simulated=True,
        pending_notices=notes,
    )
    return path
