"""A fitted model in the bench file: in place, comments kept, read back the same."""

import dataclasses
import datetime

import pytest

from logger.errors import InputError
from logger.heat.fitted import fitted_heat
from logger.joint.bench.bench import read_bench
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.simulate.scenario import SCENARIO_LAYOUT, scenario_bench_text, scenario_layout_text
from replay.heat.bench_model import thermal_settings, write_bench_model
from replay.heat.intervals import interval_of
from replay.heat.model import physical_parameters
from replay.heat.quantity import QuantityName
from replay.heat.result import UnknownQuantity
from tests.support.heat_joints import simulate_joint
from tests.support.told_heat import fit_simulated

TODAY = datetime.date(2026, 3, 1)
MODEL = ThermalSettings(
    housing_rise=0.9,
    housing_time_s=520.0,
    standby_rise_K=2.5,
    log_covariance=((0.01, 0.002, 0.0), (0.002, 0.02, 0.0), (0.0, 0.0, 0.09)),
    source="20260101T093000Z-shoulder-duty",
    fitted=TODAY,
)


@pytest.fixture
def bench_file(tmp_path):
    """Give the demo's bench file with its layout."""
    path = tmp_path / "bench.toml"
    path.write_text(scenario_bench_text("/dev/none"), encoding="utf-8")
    layout = tmp_path / f"{SCENARIO_LAYOUT}.toml"
    layout.write_text(scenario_layout_text(), encoding="utf-8")
    return path


def test_a_model_goes_into_the_file_and_everything_else_stays(bench_file):
    """Each line of the file is still there, in its order; the other joint has no model."""
    before = bench_file.read_text(encoding="utf-8").splitlines()
    write_bench_model(bench_file, "shoulder", MODEL)
    after = bench_file.read_text(encoding="utf-8").splitlines()
    kept = iter(after)
    assert all(line in kept for line in before if line.strip()), "in this order"
    bench = read_bench(bench_file)
    assert bench.joint_named("shoulder").thermal == MODEL
    assert bench.joint_named("elbow").thermal is None


def test_a_newer_model_takes_the_place_of_the_older(bench_file):
    """Written twice, it stands there once."""
    write_bench_model(bench_file, "elbow", MODEL)
    newer = MODEL.model_copy(update={"housing_rise": 1.1})
    write_bench_model(bench_file, "elbow", newer)
    assert bench_file.read_text(encoding="utf-8").count("housing_rise") == 1
    assert read_bench(bench_file).joint_named("elbow").thermal == newer


def test_a_joint_that_the_file_lacks_is_a_mistake(bench_file):
    """It names the file and the joint, and leaves the file as it was."""
    before = bench_file.read_bytes()
    with pytest.raises(InputError, match="wrist"):
        write_bench_model(bench_file, "wrist", MODEL)
    assert bench_file.read_bytes() == before


@pytest.fixture(scope="module")
def lagging_fit():
    """Give the fit of a joint whose housing alone is read, with a lag that is stated."""
    made = simulate_joint(
        52_011, pattern="steps", ambient=False, hours=0.7, gaps=0, housing_lag_s=30.0
    )
    return fit_simulated(made, sensor_lag={"housing_s": 30.0})


def test_a_model_without_its_winding_is_as_wide_as_what_is_told(lagging_fit):
    """One body with all the heat that both store: no narrower than what was told of it."""
    unknown = UnknownQuantity(name=QuantityName.WINDING_TIME, remedies=())
    fit = dataclasses.replace(lagging_fit, unknown=(unknown,))
    written = thermal_settings(fit, TODAY)
    assert written.winding_rise is None
    network = fit.joints[0].network
    whole_s = network.housing_ambient_K_per_W * (network.housing_J_per_K + network.winding_J_per_K)
    assert written.housing_time_s == pytest.approx(whole_s, rel=1e-5)
    problem, mode = fit.problem, fit.mode

    def rise(outer):
        theta = outer[: problem.theta_count]
        return float(physical_parameters(problem.model, theta, problem.scale)["housing_rise"])

    sd, *_ = interval_of(problem, mode, rise)
    assert written.housing_rise == pytest.approx(rise(mode.outer), rel=1e-5)
    assert written.log_covariance[0][0] ** 0.5 == pytest.approx(sd, rel=0.1)


def test_a_lag_goes_into_the_model(lagging_fit):
    """Stated for the sensor of the housing: the observer follows it there."""
    written = thermal_settings(lagging_fit, TODAY)
    assert written.housing_lag_s == pytest.approx(30.0, rel=0.15)
    nodes = 1 if written.winding_rise is None else 2
    assert list(fitted_heat(written).lags_s) == [nodes - 1]
