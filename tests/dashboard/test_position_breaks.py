"""A break in a position ends its trace and the comparison with its set-point."""

import numpy as np
import pytest

from dashboard.figures.axes import Pen
from dashboard.figures.sheet import make_sheet
from dashboard.live.closed_bins import read_bins
from dashboard.position_breaks import position_breaks
from dashboard.replay.recording_view import DrawOptions, window_figure
from dashboard.text.theme import LIGHT
from logger.event_kind import EventKind
from logger.store.layout.events import Event
from replay.recording import Recording

DRAWN = DrawOptions(sheet=make_sheet("normal", 900, 440), theme=LIGHT)
S = 1_000_000_000
POSITION, SETPOINT = "position_rad", "position_setpoint_rad"


def _event(kind: EventKind, at_s: float, joint: str = "elbow") -> Event:
    return Event(sequence=1, time_ns=round(at_s * S), kind=kind, joint=joint, text="")


def test_set_points_are_apart_until_the_turns_are_found():
    """Two losses before one find are one span; what is never found lasts to the end."""
    breaks = position_breaks(
        [
            _event(EventKind.POSITION_LOST, 10),
            _event(EventKind.POSITION_LOST, 12),
            _event(EventKind.POSITION_FOUND, 20),
            _event(EventKind.POSITION_LOST, 30),
            _event(EventKind.POSITION_LOST, 5, joint="wrist"),
        ]
    )
    elbow = breaks["elbow"]
    assert elbow.begins_ns.tolist() == [10 * S, 12 * S, 20 * S, 30 * S]
    begins = np.arange(0, 40 * S, S)
    apart = begins[elbow.are_broken(SETPOINT, begins, begins + S)] // S
    assert apart.tolist() == [*range(10, 20), *range(30, 40)]
    broken = begins[elbow.are_broken(POSITION, begins, begins + S)] // S
    assert broken.tolist() == [10, 12, 20, 30]
    assert not elbow.are_broken("torque_Nm", begins, begins + S).any()
    assert breaks["wrist"].begins_ns.tolist() == [5 * S]


def _traces(made: dict, channel: str) -> list[dict]:
    return [
        trace
        for trace in made["data"]
        if trace["meta"]["channel"] == channel and trace["meta"]["joint"] == "elbow"
    ]


def _drawn(made: dict, channel: str) -> list[tuple[float, float | None]]:
    return [
        point
        for trace in _traces(made, channel)
        for point in zip(trace["x"], trace["y"], strict=True)
        if point[0] is not None
    ]


@pytest.mark.parametrize("window", [(190.0, 220.0), (120.0, 300.0), (0.0, 600.0)])
def test_nothing_is_drawn_across_a_break(crowded: Recording, window: tuple[float, float]):
    """Each reading, lines of buckets and bands: no value spans two zeros, no set-point follows."""
    made = window_figure(crowded, *window, DRAWN)
    lost_s = [
        (event.time_ns - crowded.start_ns) / S
        for event in crowded.read_events()
        if event.kind == EventKind.POSITION_LOST
    ]
    assert len(lost_s) == 3
    points = _drawn(made, POSITION)
    values = [y for _, y in points if y is not None]
    # Only 6 s of positions about other zeros lie between the losses: 60 degrees is a motor turn.
    assert max(values) - min(values) > 100
    for trace in _traces(made, POSITION):
        strokes = [
            sorted(ends)
            for *ends, y, y_next in zip(
                trace["x"], trace["x"][1:], trace["y"], trace["y"][1:], strict=False
            )
            if None not in (y, y_next)
        ]
        for at_s in lost_s:
            assert any(end < at_s for _, end in strokes)
            assert not any(begin < at_s <= end for begin, end in strokes)
    compared = [x for x, y in _drawn(made, SETPOINT) if y is not None and x >= lost_s[0]]
    assert compared == []
    if window[1] - window[0] < 60:
        assert [x for x, y in _drawn(made, SETPOINT) if y is not None]


@pytest.mark.parametrize("count", [4, 60])
def test_the_bins_of_live_break_as_well(crowded: Recording, count: int):
    """Few bins, read row by row, and a window of them: the one with the break has no value."""
    pens = tuple((Pen(joint="elbow", number=2, channel=c), 1.0) for c in (POSITION, SETPOINT))
    breaks = position_breaks(crowded.read_events())
    start_ns = crowded.start_ns + 212 * S - count * S
    bins = read_bins(crowded, pens, start_ns, count, S, breaks=breaks)
    seconds = [212 - count + row for row in range(count)]
    empty = {at for at, row in zip(seconds, bins, strict=True) if np.isnan(row[0]).all()}
    assert 209 in empty
    assert 210 not in empty
    compared = {at for at, row in zip(seconds, bins, strict=True) if not np.isnan(row[1]).all()}
    assert all(at < 202 for at in compared)
    assert bool(compared) == (count == 60)
