"""Limits and changes in plain words."""

import pytest

from logger.limits.kinds.level import Level
from logger.limits.kinds.silence import Silence
from logger.limits.limit import Limit, parse_limits
from logger.limits.limit_change import LimitChange
from logger.limits.words import change_sentence, describe_limit, limit_label


def level(**keys) -> Level:
    """Return a warning on the shoulder's housing, unless said otherwise."""
    base = {"name": "warm", "severity": "warning", "joint": "shoulder"}
    return Level.model_validate({**base, "channel": "temperature_housing_degC", **keys})


WARM = level(above=70.0, drop_off=67.0, on_delay_s=5.0)
LOW = level(channel="voltage_V", below=40.5, drop_off=42, off_delay_s=90, joint=None)
HARD = level(severity="trip", channel="torque_Nm", above=18.0)
FAST = level(channel="speed_rad_s", above=3.4907, on_delay_s=600)
QUIET = Silence(name="silent", severity="warning", after_s=0.5)


def test_no_setting_is_told_as_nothing():
    """However small a level or a delay is, it is told with digits that say something."""
    small = level(channel="current_A", above=0.004, drop_off=0.0015, on_delay_s=0.0003)
    assert describe_limit(small) == (
        "warns when the current of shoulder, in either direction, stays at or above 0.004 A for "
        "0.0003 s; clears at or below 0.0015"
    )


def test_a_silence_that_trips_latches_as_well():
    """As of every other kind."""
    quiet = Silence(name="silent", severity="trip", after_s=2)
    assert describe_limit(quiet).endswith("clears with its next frame; stays until acknowledged")


@pytest.mark.parametrize(
    ("limit", "words", "short"),
    [
        (
            WARM,
            "warns when the housing of shoulder stays at or above 70 °C for 5 s; clears "
            "at or below 67",
            "housing at or above 70 °C",
        ),
        (
            LOW,
            "warns when the supply voltage of any joint falls to 40.5 V; clears at or above 42 "
            "after 90 s",
            "supply voltage at or below 40.5 V",
        ),
        (
            HARD,
            "trips when the torque of shoulder, in either direction, reaches 18 N·m; clears below "
            "18; stays until acknowledged",
            "torque at or above 18 N·m",
        ),
        (
            FAST,
            "warns when the speed of shoulder stays at or above 200 °/s for 10 min; clears "
            "below 200",
            "speed at or above 200 °/s",
        ),
        (
            level(below=-10),
            "warns when the housing of shoulder falls to −10 °C; clears above −10",
            "housing at or below −10 °C",
        ),
        (
            level(channel="fault_code", above=1),
            "warns when the fault code of shoulder reaches 1; clears below 1",
            "fault code at or above 1",
        ),
        (
            QUIET,
            "warns when any joint says nothing for 0.5 s; clears with its next frame",
            "silent for 0.5 s",
        ),
    ],
)
def test_a_limit_in_words(limit, words, short):
    """A limit says what it will do, in the units that pages show."""
    assert describe_limit(limit) == words
    assert limit_label(limit) == short


def change(limit: Limit, kind: str, value: float, peak: float) -> LimitChange:
    """Return a change of a limit on the shoulder."""
    return LimitChange(
        time_ns=0,
        limit=limit.name,
        joint="shoulder",
        severity=limit.severity,
        channel="",
        kind="raised" if kind == "raised" else "returned",
        value=value,
        onset_ns=0,
        peak=peak,
    )


@pytest.mark.parametrize(
    ("limit", "kind", "value", "peak", "said"),
    [
        (
            WARM,
            "raised",
            71.0,
            71.0,
            "shoulder: housing at or above 70 °C for 5 s, now 71 °C (warm)",
        ),
        (
            WARM,
            "returned",
            66.9,
            84.25,
            "shoulder: housing back at or below 67 °C, now 66.9 °C, peak 84.25 °C (warm)",
        ),
        (HARD, "raised", -18.5, -18.5, "shoulder: torque at or above 18 N·m, now −18.5 N·m (warm)"),
        (
            LOW,
            "returned",
            43,
            38,
            "shoulder: supply voltage back at or above 42 V, now 43 V, lowest 38 V (warm)",
        ),
        (QUIET, "raised", 0.5, 0.5, "shoulder: silent for 0.5 s (silent)"),
        (QUIET, "returned", 2.25, 2.25, "shoulder: heard again after 2.25 s (silent)"),
    ],
)
def test_a_change_in_words(limit, kind, value, peak, said):
    """What happened is one line: joint, what, now, at worst, which limit."""
    assert change_sentence(change(limit, kind, value, peak), limit) == said


def of_file(keys: str) -> Limit:
    """Return a limit as a file says it."""
    text = f'format = 1\n[[limit]]\nname = "x"\nseverity = "warning"\n{keys}'
    return parse_limits(text, "limits.toml").limits[0]


CURVE = 'kind = "inverse-time"\nchannel = "current_A"\ncurve = "C"\nsetting = 8.0\n'
IMAGE = 'kind = "thermal"\nchannel = "current_A"\nbasic = 8.0\nheating_s = 600.0\n'
RATE = 'kind = "rate"\nchannel = "temperature_housing_degC"\nrise_per_min = 8.0\nover_s = 60.0\n'
ASTRAY = 'kind = "tracking"\nchannel = "position_rad"\nabove = 0.05\ndrop_off = 0.02\n'
FROZEN = (
    'kind = "frozen"\nchannel = "temperature_housing_degC"\nload = "current_A"\n'
    "load_above = 6.0\non_delay_s = 600.0\n"
)


@pytest.mark.parametrize(
    ("keys", "kind", "value", "peak", "said"),
    [
        (CURVE, "raised", -17.0, -17.0, "current at or above 8 A for too long, now −17 A"),
        (CURVE, "returned", 3.0, 17.5, "current back below 8 A, now 3 A, peak 17.5 A"),
        (IMAGE, "raised", 1.002, 1.002, "thermal image at or above 100 %, now 100.2 %"),
        (IMAGE, "returned", 0.99, 1.17, "thermal image back below 100 %, now 99 %, peak 117 %"),
        (RATE, "raised", 8.25, 8.25, "housing rising by 8 K/min or more, now 8.25 K/min"),
        (
            RATE,
            "returned",
            7.0,
            9.0,
            "housing rising by less than 8 K/min, now 7 K/min, peak 9 K/min",
        ),
        (ASTRAY, "raised", -0.06, -0.06, "position 2.9 ° or more from its set-point, now −3.4 °"),
        (FROZEN, "raised", 40.0, 40.0, "housing frozen for 10 min, now 40 °C"),
        (FROZEN, "returned", 41.0, 40.0, "housing moves again, now 41 °C, stood at 40 °C"),
        (
            'kind = "touch"\ncontact_s = 60.0\n',
            "raised",
            52.0,
            52.0,
            "housing at or above the burn threshold of 51 °C for 60 s of touch, now 52 °C",
        ),
        (
            'kind = "level"\nchannel = "voltage_V"\noutside = [42.0, 54.0]\n',
            "returned",
            44.0,
            38.0,
            "supply voltage back within 42 V to 54 V, now 44 V, furthest 38 V",
        ),
        (
            'kind = "level"\nchannel = "torque_Nm"\nabove_rated = 0.9\n',
            "raised",
            17.0,
            17.0,
            "torque at or above 90 % of rated, now 17 N·m",
        ),
    ],
)
def test_a_change_of_each_kind_in_words(keys, kind, value, peak, said):
    """Values stand in the unit that they have: a share of an image, a rise a minute, an error."""
    limit = of_file(keys)
    assert change_sentence(change(limit, kind, value, peak), limit) == f"shoulder: {said} (x)"


@pytest.mark.parametrize(
    ("keys", "kind", "value", "peak", "said"),
    [
        (
            'kind = "bus"\nwatch = "load"\nabove = 0.7\non_delay_s = 10.0\n',
            "raised",
            0.82,
            0.82,
            "Bus load at or above 70 % for 10 s, now 82 % (x)",
        ),
        (
            'kind = "bus"\nwatch = "error-frames"\nabove = 10.0\ndrop_off = 1.0\n',
            "returned",
            0.0,
            31.0,
            "Error frames a second back at or below 1, now 0, peak 31 (x)",
        ),
        (
            'kind = "bus"\nwatch = "garbled"\nabove = 10.0\non_delay_s = 3.0\n',
            "raised",
            4120.0,
            4120.0,
            "Unreadable lines or frames a second at or above 10 for 3 s, now 4120 (x)",
        ),
        (
            'kind = "disk"\nbelow_h = 6.0\n',
            "raised",
            5.5,
            5.5,
            "The disk lasts for 330 min at the present rate; then the recording ends. Free some "
            "room.",
        ),
    ],
)
def test_a_change_of_the_recorder_in_words(keys, kind, value, peak, said):
    """What the recorder watches about itself has no joint."""
    limit = of_file(keys)
    assert change_sentence(change(limit, kind, value, peak), limit) == said
