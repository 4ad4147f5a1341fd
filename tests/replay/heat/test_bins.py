"""A recording as steps of load: time-weighted squares, gaps, counts at their resolution."""

import numpy as np
import pytest

from replay.heat.bins import read_trace
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.trace import SensorPlace
from tests.support.heat_recordings import START_NS, S, record_channels

HOUSING = "temperature_housing_degC"


def courses(seconds, *, rate=1, seed=1):
    """Return times and a current, housing and speed that change, `rate` rows a second."""
    dice = np.random.default_rng(seed)
    count = seconds * rate
    time_ns = START_NS + np.arange(count) * (S // rate)
    return time_ns, {
        "current_A": np.repeat(dice.uniform(-8, 8, count // rate + 1), rate)[:count]
        + dice.normal(0, 0.5, count),
        HOUSING: np.rint(25 + 10 * np.arange(count) / count + dice.normal(0, 0.15, count)),
        "speed_rad_s": dice.normal(0.0, 1.0, count),
    }


@pytest.mark.parametrize("rate", [1, 20])
def test_squares_are_weighted_by_time(tmp_path, rate):
    """A step's mean square is that of its rows, and so is the speed's."""
    time_ns, columns = courses(900, rate=rate)
    found = read_trace([record_channels(tmp_path / "r", time_ns, columns)], "a")
    steps = found.trace.steps
    assert found.load == "current_A"
    assert steps.duration_s == pytest.approx(10.0)
    plain = (columns["current_A"] ** 2).reshape(-1, 10 * rate).mean(axis=1)
    assert steps.mean_square_A2 == pytest.approx(plain, rel=1e-9)
    speeds = (columns["speed_rad_s"] ** 2).reshape(-1, 10 * rate).mean(axis=1)
    assert steps.mean_square_speed_rad2_s2 == pytest.approx(speeds, rel=1e-9)
    assert found.has_speed


def test_unevenly_reported_currents_count_by_how_long_they_held(tmp_path):
    """More rows under load, as drives report them, do not make more heat."""
    at_s = np.sort(np.concatenate([np.arange(0, 900, 2.0), np.arange(0.5, 900, 20) + 0.01]))
    time_ns = START_NS + np.rint(at_s * S).astype(np.int64)
    current = np.where((np.arange(len(time_ns)) % 12) == 1, 20.0, 2.0)
    columns = {"current_A": current, HOUSING: 25.0 + (np.arange(len(time_ns)) % 7 > 3)}
    found = read_trace([record_channels(tmp_path / "r", time_ns, columns)], "a").trace.steps
    ends = np.append(time_ns[1:], time_ns[-1] + S)
    whole = float((current**2 * (ends - time_ns)).sum() / (ends - time_ns).sum())
    assert float(found.mean_square_A2.mean()) == pytest.approx(whole, rel=0.02)


def test_a_gap_begins_a_segment(tmp_path):
    """Two minutes without rows, and a stretch of nulls, end a segment; three seconds do not."""
    time_ns, columns = courses(3000)
    kept = np.ones(3000, bool)
    kept[1000:1120] = False
    kept[500:503] = False
    columns["current_A"][2000:2090] = np.nan
    recording = record_channels(
        tmp_path / "r", time_ns[kept], {name: one[kept] for name, one in columns.items()}
    )
    found = read_trace([recording], "a")
    assert found.trace.segments == 3
    assert found.skipped_s == pytest.approx(210.0, abs=30.0)
    assert all(begin < end for begin, end in found.spans_ns)
    begins = found.trace.begin_s[np.flatnonzero(np.diff(found.trace.segment, prepend=-1))]
    assert begins == pytest.approx([0.0, 1120.0, 2090.0], abs=11.0)


def test_readings_keep_their_counts(tmp_path):
    """Each second's last reading, in its step, at the resolution that the readings show."""
    time_ns, columns = courses(1200)
    columns[HOUSING] = np.rint(columns[HOUSING] * 16) / 16 + np.where(
        np.arange(1200) % 2, 0.0625, 0
    )
    found = read_trace([record_channels(tmp_path / "r", time_ns, columns)], "a").trace
    sensor = found.sensor_at(SensorPlace.HOUSING)
    assert sensor is not None
    assert sensor.resolution_K == pytest.approx(0.0625)
    assert sensor.n.sum() == pytest.approx(1200, abs=2)
    by_step = np.bincount(sensor.step, sensor.n * sensor.value_degC) / np.bincount(
        sensor.step, sensor.n
    )
    assert by_step == pytest.approx(columns[HOUSING].reshape(-1, 10).mean(axis=1), abs=1e-9)


def test_recordings_that_follow_each_other_are_one_trace(tmp_path):
    """Each begins a segment; overlapping ones are refused."""
    time_ns, columns = courses(900)
    first = record_channels(tmp_path / "r1", time_ns, columns)
    later = record_channels(tmp_path / "r2", time_ns + 3600 * S, columns)
    found = read_trace([later, first], "a")
    assert found.recordings == ("r1", "r2")
    assert found.trace.segments == 2
    assert found.trace.begin_s[-1] == pytest.approx(3600 + 890)
    over = record_channels(tmp_path / "r3", time_ns + 300 * S, columns)
    with pytest.raises(HeatFault) as fault:
        read_trace([first, over], "a")
    assert fault.value.kind is HeatFaultKind.OVERLAP


def test_torque_stands_for_a_current_that_is_not_there(tmp_path):
    """Squared, in (N.m)^2; with neither of them nothing is fitted."""
    time_ns, columns = courses(900)
    torque = columns.pop("current_A") * 2.0
    found = read_trace(
        [record_channels(tmp_path / "r1", time_ns, {"torque_Nm": torque, **columns})], "a"
    )
    assert found.load == "torque_Nm"
    assert found.trace.steps.mean_square_A2.mean() == pytest.approx(float((torque**2).mean()))
    with pytest.raises(HeatFault) as fault:
        read_trace([record_channels(tmp_path / "r2", time_ns, columns)], "a")
    assert fault.value.kind is HeatFaultKind.NO_LOAD


def test_of_wide_steps_a_winding_is_read_at_their_ends(tmp_path, monkeypatch):
    """Within one the load is one mean, which a winding does not follow; a housing counts whole."""
    monkeypatch.setattr("replay.heat.bins.MOST_WINDING_STEPS", 200)
    time_ns, columns = courses(900)
    winding = columns[HOUSING] + np.arange(900) % 5
    read = read_trace(
        [record_channels(tmp_path / "r", time_ns, columns | {"temperature_winding_degC": winding})],
        "a",
    )
    assert read.trace.steps.duration_s == pytest.approx(5.0)
    inner = read.trace.sensor_at(SensorPlace.WINDING)
    assert (inner.fraction > 0.8).all()
    assert inner.n.sum() == len(read.trace.begin_s)
    assert read.trace.sensor_at(SensorPlace.HOUSING).n.sum() == pytest.approx(900, abs=5)
