"""A limit asked roughly, from seconds: close to what it says of every reading, and how close."""

import numpy as np
import pytest

from logger.limits.evaluate import in_channel_unit
from logger.limits.limit import AnyJointLimit, parse_limits
from replay.evaluation.alert_arrays import to_alert_arrays
from replay.evaluation.tasks import evaluate_limits
from replay.exploring.approximate import (
    LimitMeasure,
    approximate_measure,
    may_miss_short,
    read_second_values,
    to_min_max,
)
from replay.recording import Recording
from tests.support.alerts import same_alerts

S = 1_000_000_000


def _limit(text: str) -> AnyJointLimit:
    head = 'format = 1\n[[limit]]\nname = "x"\nseverity = "trip"\n'
    (limit,) = parse_limits(head + text, "limits.toml").limits
    assert isinstance(limit, AnyJointLimit)
    return limit


def _rough(recording: Recording, joint: str, limit: AnyJointLimit) -> LimitMeasure:
    own = in_channel_unit(limit, recording.bench.joint_named(joint).rated)
    assert own is not None
    return approximate_measure(
        own,
        {
            name: read_second_values(recording, joint, name, style)
            for name, style in own.summary_styles.items()
        },
        joint=joint,
        hold_ns=recording.hold_ns(joint),
        gaps=recording.read_gaps(joint),
        span_ns=(recording.start_ns, recording.end_ns),
    )  # fmt: skip


SLOW = (
    'kind = "level"\nchannel = "temperature_housing_degC"\nabove = 70.0\ndrop_off = 67.0\n'
    "on_delay_s = 3.0\noff_delay_s = 5.0",
    'kind = "level"\nchannel = "temperature_housing_degC"\nabove = 55.0\ndrop_off = 50.0',
    'kind = "rate"\nchannel = "temperature_housing_degC"\nrise_per_min = 4.0\nover_s = 60.0\n'
    "drop_off_per_min = 1.0\non_delay_s = 5.0\noff_delay_s = 5.0",
    'kind = "touch"\ncontact_s = 60.0\ndrop_off = 45.0',
    'kind = "thermal"\nchannel = "current_A"\nbasic = 4.0\nheating_s = 300.0\n'
    "above_percent = 60.0\ndrop_off_percent = 40.0",
    'kind = "inverse-time"\nchannel = "current_A"\ncurve = "C"\nsetting = 9.0\ntms = 0.5',
)


@pytest.mark.parametrize("text", SLOW)
@pytest.mark.parametrize("joint", ["shoulder", "elbow"])
def test_what_is_slow_is_right_to_about_a_second(overheat: Recording, joint: str, text: str):
    """As many alerts as in full, each raised within two seconds of where it is in full."""
    limit = _limit(text)
    own = in_channel_unit(limit, overheat.bench.joint_named(joint).rated)
    assert own is not None
    (exact,) = evaluate_limits(overheat, joint, [own])
    found = _rough(overheat, joint, limit).alerts
    assert len(found) == len(exact)
    assert np.all(np.abs(found.raised_ns - exact.raised_ns) <= 2 * S)


def test_the_slow_limits_say_something(overheat: Recording):
    """The test above is of alerts: most of its limits raise one on one of the joints."""
    raised = [
        any(len(_rough(overheat, joint, _limit(text)).alerts) for joint in overheat.joints)
        for text in SLOW
    ]
    assert sum(raised) >= 4


@pytest.mark.parametrize("after_s", [0.4, 1.0, 30.0])
def test_a_silence_is_exact(overheat: Recording, after_s: float):
    """Gaps are known to the nanosecond, so a silence longer than the shortest of them is too."""
    limit = _limit(f'kind = "silence"\nafter_s = {after_s}')
    for joint in overheat.joints:
        (exact,) = evaluate_limits(overheat, joint, [limit])
        assert same_alerts(_rough(overheat, joint, limit).alerts, exact)


@pytest.mark.parametrize(
    "text",
    [
        *SLOW,
        'kind = "tracking"\nchannel = "torque_Nm"\nabove = 1.0',
        'kind = "frozen"\nchannel = "position_rad"\nload = "current_A"\nload_above = 2.0\n'
        "on_delay_s = 10.0",
        'kind = "oscillation"\nchannel = "torque_Nm"\nabove = 0.5\nband_Hz = [1.0, 4.0]',
        'kind = "level"\nchannel = "current_A"\nabove_rated = 0.9',
        'kind = "level"\nchannel = "temperature_drive_degC"\noutside = [10.0, 60.0]',
    ],
)
def test_every_kind_can_be_asked(overheat: Recording, text: str):
    """A measure in order of time, and alerts that return after they were raised."""
    found = _rough(overheat, "shoulder", _limit(text))
    assert len(found.time_ns) == len(found.values) > 0
    assert np.all(np.diff(found.time_ns) >= 0)
    assert np.all(found.alerts.returned_ns > found.alerts.raised_ns)


def test_the_picture_hides_no_peak(overheat: Recording):
    """Drawn in any number of stretches, lowest and highest are those of the whole measure."""
    found = _rough(overheat, "shoulder", _limit(SLOW[0]))
    for bins in (1, 7, 480):
        shape = to_min_max(found, overheat.start_ns, overheat.end_ns, bins=bins)
        assert np.nanmax(shape.high) == found.values.max()
        assert np.nanmin(shape.low) == found.values.min()
        assert len(shape.low) == bins


def test_a_picture_of_nothing_is_empty():
    """A channel that never said anything has no picture and no fault."""
    nothing = LimitMeasure(
        time_ns=np.empty(0, np.int64), values=np.empty(0), alerts=to_alert_arrays([])
    )
    assert np.isnan(to_min_max(nothing, 0, S, bins=4).low).all()


@pytest.mark.parametrize("within", [0.0, 0.05, 0.2, 1.0])
@pytest.mark.parametrize("on_delay_s", [2.0, 30.0, 120.0])
def test_no_look_is_saved_where_something_could_freeze(
    overheat: Recording, monkeypatch: pytest.MonkeyPatch, within: float, on_delay_s: float
):
    """Leaving out what cannot freeze changes no alert."""
    limit = _limit(
        f'kind = "frozen"\nchannel = "temperature_housing_degC"\nwithin = {within}\n'
        f'load = "current_A"\nload_above = 1.0\nsmoothing_s = 10.0\non_delay_s = {on_delay_s}'
    )
    for joint in overheat.joints:
        found = _rough(overheat, joint, limit)
        with monkeypatch.context() as patched:
            patched.setattr("logger.limits.kinds.stuck.Stuck.rules_out", lambda *_: False)
            whole = _rough(overheat, joint, limit)
        assert same_alerts(found.alerts, whole.alerts)
        assert np.array_equal(found.values, whole.values)


@pytest.mark.parametrize(
    ("text", "misses"),
    [
        ('kind = "level"\nchannel = "torque_Nm"\nabove = 16.0\non_delay_s = 0.1', True),
        ('kind = "level"\nchannel = "torque_Nm"\nabove = 16.0', False),
        ('kind = "level"\nchannel = "torque_Nm"\nabove = 16.0\non_delay_s = 3.0', False),
        ('kind = "level"\nchannel = "voltage_V"\noutside = [40.0, 54.0]\non_delay_s = 0.5', True),
        ('kind = "tracking"\nchannel = "position_rad"\nabove = 0.1\non_delay_s = 1.0', True),
        (
            'kind = "rate"\nchannel = "temperature_housing_degC"\nrise_per_min = 2.0\nover_s = 9.0',
            False,
        ),
        ('kind = "silence"\nafter_s = 0.5', False),
    ],
)
def test_it_says_what_it_cannot_see(text: str, misses: object):
    """A wait of less than a second, and an error that swings, are not told by seconds."""
    assert may_miss_short(_limit(text)) is misses


def test_what_it_cannot_see_is_left_out_and_not_made_up(overheat: Recording):
    """A peak of a tenth of a second is raised exactly and not roughly, where that is said."""
    limit = _limit('kind = "level"\nchannel = "torque_Nm"\nabove = 10.0\non_delay_s = 0.1')
    exact = evaluate_limits(overheat, "shoulder", [limit])[0]
    assert may_miss_short(limit)
    assert len(_rough(overheat, "shoulder", limit).alerts) < len(exact)
