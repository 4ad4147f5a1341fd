"""Cycles of a campaign of a month, counted by the recorder's own parts, against what was made.

    python -m tests.support.counted_campaign FOLDER [--days 30] [--cycle-s 30] [--rate-hz 2]

By hand. The plan is looked at once a minute in place of every five seconds, which would take most
of the time. A joint that goes to and fro, a little faster and slower, stops for minutes to an hour
twice a day (a fault), loses its turns once a day; the recorder ends or is killed once a day and is
back after half a minute to some five, while the joint goes on. What is made is known row by row.
"""

import argparse
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from logger.campaign.plan import parse_plan
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.recording import campaign_rows
from logger.recording.campaign_rows import CampaignRows
from logger.recording.event_log import EventLog
from logger.recording.resume import resume_point
from logger.store.layout.files import cycle_rules_stream, cycles_stream
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.campaign.read_cycles import read_cycles
from replay.recording import Recording
from tests.logger.campaign.pick_and_place import START_NS, S
from tests.support.followed_plan import LAYOUT
from tests.support.one_joint import one_joint_bench

DAY_S: Final = 86_400
BATCH_ROWS: Final = 600
_ROWS_APART: Final = 2
PLAN: Final = """
format = 1
name = "Counted"
[[stage]]
name = "run in"
cycles = 1000
[[stage]]
name = "load"
cycles = 20_000
watch = ["cycle_time_s"]
[[stage]]
name = "soak"
duration_s = 90_000
[[stage]]
name = "on"
cycles = 10_000_000
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    """What the joint did: arrays of shape (rows,)."""

    time_ns: np.ndarray
    position_rad: np.ndarray
    segment: np.ndarray
    is_stopped: np.ndarray
    is_recorded: np.ndarray
    ends: tuple[tuple[int, int, bool], ...]
    """Row behind the last of a recorder, first row of the next, whether it was killed."""


def _make(days: int, cycle_s: float, rate_hz: float, seed: int) -> _Made:
    dice = np.random.default_rng(seed)
    count = round(days * DAY_S * rate_hz)
    is_stopped = np.zeros(count, bool)
    for at_s in dice.uniform(0, days * DAY_S, 2 * days):
        first = round(at_s * rate_hz)
        is_stopped[first : first + round(dice.uniform(120, 3600) * rate_hz)] = True
    pace = 1.0 + 0.01 * np.sin(np.arange(count) / rate_hz / 5000.0)
    phase = np.cumsum(np.where(is_stopped, 0.0, pace / rate_hz / cycle_s)) % 1.0
    # A move up, a rest, a move down, a rest: as steep as a sample or two.
    position = np.interp(phase, (0.0, 0.2, 0.4, 0.6, 0.8, 1.0), (0.0, 0.0, 1.2, 1.2, 0.0, 0.0))
    segment = np.zeros(count, np.int32)
    for at_s in dice.uniform(0, days * DAY_S, days):
        lost = round(at_s * rate_hz)
        segment[lost:] += 1
        position[lost:] += dice.choice((-6.3, 6.3))
    is_recorded, ends = np.ones(count, bool), []
    for day in range(days):
        last = round((day + dice.uniform(0.05, 0.9)) * DAY_S * rate_hz)
        first = last + round(dice.uniform(30, 300) * rate_hz)
        is_recorded[last:first] = False
        ends.append((last, first, bool(dice.random() < 0.5)))
    time_ns = START_NS + np.rint(np.arange(count) * (S / rate_hz)).astype(np.int64)
    return _Made(
        time_ns=time_ns,
        position_rad=np.round(position, 3),
        segment=segment,
        is_stopped=is_stopped,
        is_recorded=is_recorded,
        ends=tuple(ends),
    )


def _record(path: Path, made: _Made, rate_hz: float) -> None:
    layout = LAYOUT.replace("length = 8", f"length = 8\nhold_s = {3.0 / rate_hz}")
    bench, plan = one_joint_bench(layout), parse_plan(PLAN, "plan.toml")
    manifest = new_manifest(bench, name="made", started_ns=START_NS, plan=PLAN)
    writer = RecordingWriter(path, manifest, bench, now_s=0.0)
    events = EventLog(bench, writer)
    campaign = CampaignRows(plan, bench, start_ns=START_NS)
    events.follow_events(campaign.add_event)
    events.begin(START_NS)
    first = 0
    for last, behind, killed in (*made.ends, (len(made.time_ns), 0, False)):
        for begin in range(first, last, BATCH_ROWS):
            batch = _batch(made, slice(begin, min(begin + BATCH_ROWS, last)))
            writer.append_readings(batch)
            campaign.add_readings(batch)
            campaign.record_until(int(batch.time_ns[-1]) + 1, writer, events)
        now_ns = int(made.time_ns[last - 1]) + 1
        if killed:
            writer.abandon()
        else:
            campaign.finish(now_ns, writer, events)
            writer.close(ended_ns=now_ns, cause="counted")
        if last == len(made.time_ns):
            return
        start = resume_point(path)
        first, now_ns = behind, int(made.time_ns[behind])
        clock = ClockAnchor(boottime_ns=0, wall_ns=now_ns)
        writer = RecordingWriter.resume(path, bench, clock=clock, now_s=0.0)
        events = EventLog(bench, writer, start=start)
        campaign = CampaignRows(plan, bench, start_ns=now_ns, start=start.campaign)
        events.follow_events(campaign.add_event)
        events.begin(now_ns)


def _batch(made: _Made, rows: slice) -> ReadingBatch:
    position = made.position_rad[rows]
    return ReadingBatch(
        joint="a",
        time_ns=made.time_ns[rows],
        position_segment=made.segment[rows],
        columns={
            "position_rad": position,
            "speed_rad_s": np.gradient(position),
            "torque_Nm": 3.0 + np.sign(np.gradient(position)),
            "temperature_housing_degC": np.full(len(position), 40.0),
        },
    )


def _rises(made: _Made, low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows of the joint's rises, whatever was recorded, and the row before each.

    By a stretch's own zero. The row before is the newest one below: a rise counts if both are seen.
    """
    zero = made.position_rad.copy()
    for one in np.unique(made.segment):
        of_it = made.segment == one
        zero[of_it] -= zero[of_it].min()
    side = np.where(zero >= high, 1, np.where(zero <= low, -1, 0))
    known = np.flatnonzero(side)
    at = np.flatnonzero((side[known][1:] == 1) & (side[known][:-1] == -1))
    return known[1:][at], known[:-1][at]


def _compare(path: Path, made: _Made) -> None:
    """Hold the table against the evaluation afterwards and against what was made; print both."""
    recording = Recording.open(path)
    table = recording.read_rows(cycles_stream("a"), start_ns=0, end_ns=2**62)
    rules = recording.read_rows(cycle_rules_stream("a"), start_ns=0, end_ns=2**62)
    rule = rules.to_pylist()[0]
    begun_s = time.process_time()
    afterwards = read_cycles(recording, "a")
    print(f"read_cycles: {time.process_time() - begun_s:.0f} s of processor time")  # noqa: T201
    start_ns = table["start"].cast("int64").to_numpy()
    assert table["cycle"].to_pylist() == list(range(1, len(table) + 1))
    assert (start_ns == afterwards.start_ns).all()
    assert table["time"].cast("int64").to_pylist() == afterwards.end_ns.tolist()
    kinds = np.array(table["kind"].to_pylist())
    assert kinds.tolist() == [str(kind) for kind in afterwards.kinds]
    for name, values in afterwards.figures.items():
        stored = table[name].fill_null(np.nan).to_numpy()
        assert np.allclose(stored, values, rtol=1e-9, atol=1e-9, equal_nan=True), name
    rises, below = _rises(made, rule["low"], rule["high"])
    whole = []
    missing, stopped = np.cumsum(~made.is_recorded), np.cumsum(made.is_stopped)
    for first, before, last in zip(rises[:-1], below[:-1], rises[1:], strict=True):
        if missing[last] == missing[before]:
            whole.append((int(first), bool(stopped[last] > stopped[first])))
    rows = made.time_ns.searchsorted(start_ns)
    assert (np.diff(rows) > 0).all(), "none is counted twice"
    # Levels that are learned anew may be a row apart from the first; the course takes twelve.
    first_rows = np.array([first for first, _ in whole])
    place = np.minimum(rows.searchsorted(first_rows - _ROWS_APART), len(rows) - 1)
    is_there = np.abs(rows[place] - first_rows) <= _ROWS_APART
    held = np.array([one for _, one in whole])
    left_out = int((~is_there).sum())
    wrong = int((is_there & ~held & (kinds[place] != "whole")).sum())
    too_much = int((kinds == "whole").sum() - (is_there & (kinds[place] == "whole")).sum())
    begun = [one.stage for one in recording.read_events() if one.kind == EventKind.STAGE_BEGUN]
    print(  # noqa: T201
        f"{len(rises)} rises made, {len(whole)} cycles recorded without a gap; {len(table)} in the "
        f"table ({ {kind: int((kinds == kind).sum()) for kind in set(kinds.tolist())} }); left "
        f"out {left_out}, not told whole {wrong}, told whole and are not {too_much}; stages {begun}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--cycle-s", type=float, default=30.0)
    parser.add_argument("--rate-hz", type=float, default=2.0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    campaign_rows.STEP_NS = 60 * S
    joint = _make(asked.days, asked.cycle_s, asked.rate_hz, asked.seed)
    began_s = time.process_time()
    _record(asked.folder, joint, asked.rate_hz)
    print(f"recorded: {time.process_time() - began_s:.0f} s of processor time")  # noqa: T201
    _compare(asked.folder, joint)
