"""The cycles of a recording: as many as the joint was moved, whatever came between."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

import dutytrace
from logger.campaign.cycle_plan import CycleKind
from logger.campaign.plan_settings import CycleStart
from logger.joint.batch import ReadingBatch
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.simulate.cycle import CYCLE_S
from logger.simulate.offline import simulate_frames
from logger.simulate.scenario import scenario_bench
from logger.store.layout.manifest import new_manifest
from logger.store.writing.bulk_writer import BulkWriter
from replay.campaign.faults import CycleFault, CycleFaultKind
from replay.campaign.read_cycles import read_cycles
from replay.recording import Recording
from tests.support.command import assert_refused, run
from tests.support.heat_recordings import START_NS, S, record_channels

RATE_HZ = 20.0
MOVED = 450
"""Cycles of eight seconds in an hour."""
STOPPED_S, AWAY_S = 180, 45
FAULT_AT_S, RESTART_AT_S = 1204, 2403


@pytest.fixture(scope="module")
def hour(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give an hour of pick and place: a fault stops it within a cycle, a restart loses turns."""
    bench = scenario_bench(channel="x", rate_Hz=RATE_HZ)
    path = tmp_path_factory.mktemp("cycles") / "hour"
    writer = BulkWriter(path, new_manifest(bench, name="hour", started_ns=START_NS), bench)
    plan, state = decode_plan(bench), DecodeState()
    rows: dict[str, list[ReadingBatch]] = {}
    for frames in simulate_frames(hours=1.0, rate_Hz=RATE_HZ, seed=4, start_ns=START_NS):
        decoded, state = decode(plan, state, frames)
        for part in decoded.readings:
            rows.setdefault(part.joint, []).append(part)
    for parts in rows.values():
        channels = list(parts[0].columns)
        writer.append_readings(_with_events(ReadingBatch.concatenate(parts, channels=channels)))
    writer.close(ended_ns=START_NS + (3600 + STOPPED_S + AWAY_S) * S, cause="made")
    return Recording.open(path)


def _with_events(moved: ReadingBatch) -> ReadingBatch:
    """Return readings with a stop in the middle of a move, and a pause of the recorder."""
    at_s = (moved.time_ns - START_NS) / 1e9
    before, after = moved.select_rows(at_s < FAULT_AT_S), moved.select_rows(at_s >= FAULT_AT_S)
    count = round(STOPPED_S * RATE_HZ)
    newest = [np.flatnonzero(np.isfinite(values))[-1] for values in before.columns.values()]
    stopped = ReadingBatch(
        joint=moved.joint,
        time_ns=START_NS + FAULT_AT_S * S + np.arange(count, dtype=np.int64) * round(S / RATE_HZ),
        position_segment=np.full(count, before.position_segment[newest[0]], np.int32),
        columns={
            name: np.full(count, values[row])
            for (name, values), row in zip(before.columns.items(), newest, strict=True)
        },
    )
    segment = before.position_segment.max()
    stopped = ReadingBatch(
        joint=stopped.joint,
        time_ns=stopped.time_ns,
        position_segment=np.full(count, segment, np.int32),
        columns=stopped.columns,
    )
    after_s = (after.time_ns - START_NS) / 1e9
    is_later = after_s >= RESTART_AT_S
    shift_ns = np.where(is_later, STOPPED_S + AWAY_S, STOPPED_S).astype(np.int64) * S
    columns = dict(after.columns)
    columns["position_rad"] = columns["position_rad"] + np.where(is_later, 12.5, 0.0)
    later = ReadingBatch(
        joint=after.joint,
        time_ns=after.time_ns + shift_ns,
        position_segment=np.where(
            is_later & (after.position_segment >= 0), segment + 1, after.position_segment
        ).astype(np.int32),
        columns=columns,
    )
    return ReadingBatch.concatenate([before, stopped, later], channels=list(moved.columns))


@pytest.mark.parametrize("joint", ["shoulder", "elbow"])
def test_the_count_is_that_of_the_simulator(hour: Recording, joint: str):
    """Through a fault that stops a cycle for minutes and a restart that loses turns."""
    table = read_cycles(hour, joint)
    # The first begins within the first movement, the last has not ended.
    assert len(table) == MOVED - 1
    counts = table.counts
    assert counts[CycleKind.PAUSED] == 1
    assert counts[CycleKind.GAP] == 1
    assert counts[CycleKind.SHORT] == 0
    assert table.start_ns[1:].tolist() == table.end_ns[:-1].tolist()
    assert np.median(table.whole("cycle_time_s")) == pytest.approx(CYCLE_S, abs=0.01)
    assert np.ptp(table.whole("cycle_time_s")) < 0.1 * CYCLE_S
    assert (table.whole("driving_work_J") > 0.0).all()


def test_torque_counts_where_position_is_not_looked_at(hour: Recording):
    """Nearly: a crate in the hand is another course."""
    table = read_cycles(hour, "elbow", start=CycleStart(channel="torque_Nm"))
    assert len(table) == pytest.approx(MOVED - 1, abs=12)


def test_the_command_and_the_library_tell_the_same(hour: Recording, tmp_path: Path):
    """In words, as JSON, as CSV and as a table of pandas."""
    out = tmp_path / "cycles.csv"
    told = run("cycles", str(hour.path), "--joint", "elbow", "--csv", str(out))
    assert told.returncode == 0, told.stderr
    assert told.stdout.startswith("elbow: 449 cycles, usually 8 s.\n1 of them took at least")
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    answer = json.loads(run("cycles", str(hour.path), "--joint", "elbow", "--json").stdout)
    frame = dutytrace.open(hour.path).cycles("elbow")
    assert answer["counts"] == {"whole": 447, "paused": 1, "short": 0, "gap": 1}
    assert len(rows) == len(answer["cycles"]) == len(frame) == 449
    assert frame["kind"].to_list() == [row["kind"] for row in rows]
    for name in ("rms_torque_Nm", "peak_temperature_degC"):
        told_values = [one[name] for one in answer["cycles"]]
        assert frame[name].to_list() == pytest.approx(told_values)
        assert [float(row[name]) for row in rows] == pytest.approx(told_values, rel=1e-8)
    assert frame.attrs["units"]["driving_work_J"] == "J"
    assert answer["cycles"][3]["friction_Nm"] is None


def _made(path: Path, values: np.ndarray, channel: str = "torque_Nm") -> Recording:
    time_ns = START_NS + np.arange(len(values), dtype=np.int64) * (S // 10)
    return record_channels(path, time_ns, {channel: values}, hold_s=0.5)


def test_where_no_cycles_can_be_found_it_says_so(tmp_path: Path):
    """Nothing that could return; nothing that does: what to do stands in the sentence."""
    noise = np.random.default_rng(3).normal(size=2000)
    with pytest.raises(CycleFault) as fault:
        read_cycles(_made(tmp_path / "noise", noise), "a")
    assert fault.value.kind is CycleFaultKind.NONE_FOUND
    still = _made(tmp_path / "still", np.full(2000, 48.0), "voltage_V")
    with pytest.raises(CycleFault) as fault:
        read_cycles(still, "a")
    assert fault.value.kind is CycleFaultKind.NO_COURSE
    assert_refused(run("cycles", str(still.path)), "found neither position, torque nor current")


def test_a_marker_channel_and_a_plan_say_how_cycles_begin(tmp_path: Path):
    """A level that is stated holds from the first reading on."""
    marker = np.tile(np.repeat([0.0, 1.0, 0.0, 1.0], [30, 2, 5, 23]), 4)
    recording = _made(tmp_path / "marked", marker, "voltage_V")
    start = CycleStart(channel="voltage_V", above=0.5)
    assert len(read_cycles(recording, "a", start=start)) == 7
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'format = 1\nname = "n"\n[cycle]\nchannel = "voltage_V"\nabove = 0.5\n'
        '[[stage]]\nname = "s"\ncycles = 3\n',
        encoding="utf-8",
    )
    told = run("cycles", str(recording.path), "--plan", str(plan))
    assert told.stdout.startswith("a: 7 cycles")
