import pytest

from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.layout import parse_layout
from logger.limits.limit import check_for_bench, parse_limits
from logger.simulate.arm import ARM
from logger.simulate.sampling import CHANNELS_OF
from logger.simulate.scenario import (
    CHANNEL_MARK,
    SCENARIO_LAYOUT,
    scenario_bench,
    scenario_bench_text,
    scenario_layout_text,
    scenario_limits_text,
)


def test_the_bench_file_is_a_bench_file():
    """It reads without a mistake once the serial line is named, and says why it sends."""
    text = scenario_bench_text("/run/line")
    assert CHANNEL_MARK not in text
    assert (
        bench_from_texts(text, {SCENARIO_LAYOUT: scenario_layout_text()}, where="bench.toml")
        .buses[0]
        .channel
        == "/run/line"
    )
    line = next(line for line in text.splitlines() if line.startswith("send "))
    assert "true" in line
    assert "#" in line


def test_the_bench_describes_the_arm():
    """Names, torque for an ampere and rated current agree with what is simulated."""
    the_bench = scenario_bench()
    assert [joint.name for joint in the_bench.joints] == [joint.name for joint in ARM]
    for model in ARM:
        settings = the_bench.joint_named(model.name)
        assert settings.torque.per_ampere == model.torque_per_ampere_Nm
        assert settings.rated.current >= model.current_limit_A
        frames = {frame.name: frame for frame in the_bench.layout_of(settings).frame}
        assert set(frames) == set(CHANNELS_OF)
        for kind, channels in CHANNELS_OF.items():
            assert {value.channel for value in frames[kind].value} == set(channels)


def test_the_limits_fit_the_bench():
    """The limits file reads without a mistake and names only what the bench has."""
    limits = parse_limits(scenario_limits_text(), "limits.toml")
    check_for_bench(limits, scenario_bench(), "limits.toml")
    assert {limit.name for limit in limits.limits} >= {"housing-warm", "housing-hot", "over-torque"}


@pytest.mark.parametrize(
    ("rate_Hz", "periods_s"),
    [
        (100.0, (0.01, 0.05, 0.1)),
        (20.0, (0.05, 0.25, 0.5)),
        (2.0, (0.5, 1.0, 1.0)),
        (1.0, (1, 1, 1)),
    ],
)
def test_a_slower_test_carries_slower_periods(rate_Hz, periods_s):  # noqa: N803
    """The layout of a slower test holds its values for as long as they have to last."""
    layout = parse_layout(scenario_layout_text(rate_Hz), "layout")
    assert [frame.period_s for frame in layout.frame] == pytest.approx(list(periods_s))
    the_bench = scenario_bench(rate_Hz=rate_Hz)
    for joint in the_bench.joints:
        holds = the_bench.hold_times_ns_of(joint)
        assert holds["position_rad"] >= 2.9e9 / rate_Hz
        assert holds["temperature_housing_degC"] >= 2.9e9 * periods_s[2]
