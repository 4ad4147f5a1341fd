"""From the simulation through frames and decoder: what comes out is what was put in."""

import numpy as np
import pytest

from logger.joint.batch import FrameBatch
from logger.joint.bench.identifiers import identifier_for
from logger.joint.channels import USUAL_CHANNELS
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.simulate.arm import ARM
from logger.simulate.encode import encode_frames
from logger.simulate.endurance import next_cycles, warm_start
from logger.simulate.live import demo_fan
from logger.simulate.offline import simulate_frames
from logger.simulate.sampling import CHANNELS_OF, sensor_values
from logger.simulate.scenario import scenario_bench

COUNTS = {
    "position_rad": 2 * np.pi / 20000 / 6.0,
    "speed_rad_s": 0.002 * 2 * np.pi / 6.0,
    "current_A": 0.0125,
    "position_setpoint_rad": 2 * np.pi / 100_000,
    "torque_setpoint_Nm": 0.015,
    "temperature_housing_degC": 1.0,
    "temperature_drive_degC": 1.0,
    "voltage_V": 0.02,
    "fault_code": 1.0,
}
"""What one count is worth at the output, at most."""


@pytest.mark.parametrize("joint", [0, 1])
@pytest.mark.parametrize("kind", CHANNELS_OF)
def test_decoding_undoes_encoding(joint, kind):
    """Every channel comes back to half a count, the angle through its many motor turns too."""
    the_bench = scenario_bench()
    settings = the_bench.joint_named(ARM[joint].name)
    part = next_cycles(warm_start(demo_fan()), max_cycles=1, seed=1)[0]
    time_s = np.arange(0.0, 8.0, 0.01)
    columns = sensor_values(
        part, joint=joint, kind=kind, time_s=time_s, rng=np.random.default_rng(1)
    )
    frame = next(frame for frame in the_bench.layout_of(settings).frame if frame.name == kind)
    number = identifier_for(frame.identifier, settings.node, extended=False, where="")
    batch = FrameBatch(
        time_ns=np.rint(time_s * 1e9).astype(np.int64),
        identifier=np.full(len(time_s), number, np.uint32),
        flags=np.zeros(len(time_s), np.uint8),
        length=np.full(len(time_s), frame.length, np.uint8),
        data=encode_frames(frame, settings, columns),
        bus=np.zeros(len(time_s), np.uint8),
    )
    decoded, _ = decode(decode_plan(the_bench), DecodeState(), batch)
    readings = decoded.readings[joint]
    assert decoded.rejected == {}
    for channel, values in columns.items():
        off = np.abs(readings.columns[channel] - values)
        assert off.max() <= 0.5 * COUNTS[channel] * 1.0001, channel
    if kind == "motion":
        assert set(readings.position_segment.tolist()) == {0}


def test_an_offline_test_decodes_whole():
    """Two minutes of frames: none rejected, one position segment, all channels sane."""
    batches = list(simulate_frames(hours=2 / 60, rate_Hz=100.0, seed=1, start_ns=10**18))
    decoded, _ = decode(
        decode_plan(scenario_bench()), DecodeState(), FrameBatch.concatenate(batches)
    )
    assert decoded.rejected == {}
    assert decoded.out_of_range == {}
    assert [len(readings) for readings in decoded.readings] == [15_600, 15_600]
    for readings, low, high in zip(decoded.readings, (9.0, 37.0), (77.0, 106.0), strict=True):
        assert set(readings.columns) <= set(USUAL_CHANNELS)
        _, angle = readings.channel_series("position_rad")
        assert np.degrees(angle.min()) == pytest.approx(low + 1.0, abs=1.0)
        assert np.degrees(angle.max()) == pytest.approx(high - 1.0, abs=1.0)
        assert readings.position_segment.max() == 0
        _, wanted = readings.channel_series("position_setpoint_rad")
        assert wanted[-1] == pytest.approx(angle[-1], abs=0.01)


def test_ordinary_loads_stay_below_the_torque_warning():
    """Only crates pass 16 N.m; fruit stays below the drop-off, so a run of crates warns once."""
    batches = list(simulate_frames(hours=0.25, rate_Hz=100.0, seed=1, start_ns=0))
    decoded, _ = decode(
        decode_plan(scenario_bench()), DecodeState(), FrameBatch.concatenate(batches)
    )
    time_ns, torque = decoded.readings[0].channel_series("torque_Nm")
    cycles = np.unique(time_ns[np.abs(torque) >= 16.0] // 8_000_000_000)
    assert 5 <= len(cycles) <= 24
    still_on = np.unique(time_ns[np.abs(torque) > 14.0] // 8_000_000_000)
    assert still_on.tolist() == cycles.tolist()
    # In runs: each heavy cycle but the first of a run follows another.
    assert np.count_nonzero(np.diff(cycles) > 1) <= 2
    rms = np.sqrt(np.mean(torque**2))
    assert 8.5 < rms < 10.5
