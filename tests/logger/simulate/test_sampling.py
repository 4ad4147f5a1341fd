import math

import numpy as np
import pytest

from logger.simulate.arm import ARM
from logger.simulate.endurance import cold_start, next_cycles
from logger.simulate.sampling import CHANNELS_OF, sensor_values
from logger.simulate.warming import Fan


@pytest.fixture(scope="module")
def part():
    """Return two cycles from cold."""
    return next_cycles(
        cold_start(Fan(fails_s=math.inf, noticed_after_s=0.0)), max_cycles=2, seed=1
    )[0]


def dice():
    """Return a fresh generator, the same every time."""
    return np.random.default_rng(1)


@pytest.mark.parametrize("kind", CHANNELS_OF)
@pytest.mark.parametrize("joint", [0, 1])
def test_every_kind_brings_its_channels(part, kind, joint):
    """A report has the channels of its kind, one finite value for each instant."""
    columns = sensor_values(
        part, joint=joint, kind=kind, time_s=np.linspace(0.0, 15.999, 50), rng=dice()
    )
    assert tuple(columns) == CHANNELS_OF[kind]
    assert all(len(values) == 50 and np.isfinite(values).all() for values in columns.values())


def test_noise_is_about_a_count(part):
    """Noise is of the size of one count of each sensor, no more."""
    time_s = np.arange(0.0005, 16.0, 0.001)
    columns = sensor_values(part, joint=0, kind="motion", time_s=time_s, rng=dice())
    clean = part.motion.position_rad[:, 0].T.ravel()
    counts = (columns["position_rad"] - clean) * 9.0 / (2.0 * math.pi) * 20000
    assert 0.1 < counts.std() < 1.5
    assert np.abs(columns["current_A"] - part.motion.current_A[:, 0].T.ravel()).std() < 0.02


def test_the_supply_sags_with_the_power(part):
    """Voltage falls by resistance times power over voltage: lowest where the arm lifts."""
    time_s = np.arange(0.0005, 16.0, 0.001)
    volts = sensor_values(part, joint=0, kind="health", time_s=time_s, rng=dice())["voltage_V"]
    power = np.zeros(len(time_s))
    for index, model in enumerate(ARM):
        current = part.motion.current_A[:, index].T.ravel()
        speed = part.motion.speed_rad_s[:, index].T.ravel()
        power += model.torque_per_ampere_Nm * current * speed + model.winding.loss_W(current, 70.0)
    assert np.corrcoef(volts, power)[0, 1] < -0.97
    assert volts.min() == pytest.approx(48.3 - 0.6 * power.max() / 48.3, abs=0.8)
    assert 46.5 < volts.mean() < 48.3
