"""What counts as a healthy bus, from frames to the verdict."""

import pytest

from logger.joint.batch import ERROR, FrameBatch
from logger.joint.bench.bench import Bench
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.traffic.health import bus_health
from tests.support.demo_drive import answer_id

START_NS = 1_795_000_000_000_000_000


@pytest.fixture(scope="module")
def bench() -> Bench:
    """Give the bench of the demo."""
    return scenario.scenario_bench(channel="simulated")


@pytest.fixture(scope="module")
def heard() -> FrameBatch:
    """Give 18 seconds of the demo's joints."""
    return FrameBatch.concatenate(
        list(simulate_frames(hours=0.005, rate_Hz=100.0, seed=3, start_ns=START_NS))
    )


END_NS = START_NS + 18_000_000_000


def test_the_demo_is_healthy(bench: Bench, heard: FrameBatch):
    """Every kind of frame with the period that its layout asks for, all decoded, no hint."""
    (bus,) = bus_health(heard, bench, start_ns=START_NS, end_ns=END_NS)
    assert bus.healthy
    assert bus.hints == ()
    periods = {(one.joints[0], one.frame): one.period_s for one in bus.statistics.messages}
    for joint in bench.joints:
        for frame in bench.layout_of(joint).frame:
            assert periods[joint.name, frame.name] == pytest.approx(frame.period_s, rel=0.02)
    assert bus.statistics.undecoded == {}
    assert bus.statistics.load == pytest.approx(0.0253, abs=0.001)


def test_one_error_frame_or_one_silent_joint_is_not(bench: Bench, heard: FrameBatch):
    """Each for itself, and each with a hint."""
    error = FrameBatch.from_rows([(END_NS - 1, 0, ERROR, bytes(8))])
    (bus,) = bus_health(
        FrameBatch.concatenate([heard, error]), bench, start_ns=START_NS, end_ns=END_NS
    )
    assert not bus.healthy
    assert len(bus.hints) == 1
    one = heard.select_rows(heard.identifier == answer_id(3))
    (bus,) = bus_health(one, bench, start_ns=START_NS, end_ns=END_NS)
    assert bus.statistics.silent == ("elbow",)
    assert not bus.healthy


def test_nothing_and_no_time(bench: Bench):
    """Stopped at once without a frame: a verdict all the same."""
    (bus,) = bus_health(FrameBatch.empty(), bench, start_ns=START_NS, end_ns=START_NS)
    assert not bus.healthy
    assert bus.statistics.load == 0.0
    assert "Nothing at all" in bus.hints[0]
