"""Mistakes in limits of every kind: file, key, found, expected."""

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import check_for_bench, parse_limits

HEAD = 'format = 1\n[[limit]]\nname = "x"\nseverity = "warning"\n'
HOUSING = 'channel = "temperature_housing_degC"\n'
CURRENT = 'channel = "current_A"\n'
CURVE = f'kind = "inverse-time"\n{CURRENT}curve = "C"\nsetting = 8.0\n'
IMAGE = f'kind = "thermal"\n{CURRENT}basic = 8.0\nheating_s = 600.0\n'
RATE = f'kind = "rate"\n{HOUSING}rise_per_min = 8.0\nover_s = 60.0\n'
ASTRAY = 'kind = "tracking"\nchannel = "position_rad"\nabove = 0.05\n'
FROZEN = f'kind = "frozen"\n{HOUSING}load = "current_A"\nload_above = 6.0\non_delay_s = 60.0\n'
TOUCH = 'kind = "touch"\ncontact_s = 60.0\n'
BUS = 'kind = "bus"\nwatch = "load"\nabove = 0.7\n'
DISK = 'kind = "disk"\nbelow_h = 6.0\n'

BENCH = """
[bus]
interface = "virtual"
[[joint]]
name = "shoulder"
layout = "own"
node = 1
rated = { current = 11.0 }
[[joint]]
name = "elbow"
layout = "own"
node = 2
[[sensor]]
name = "skin"
channels = ["temperature_housing_degC"]
"""
LAYOUT = """
format = 1
name = "own"
[[frame]]
name = "status"
identifier = "0x280+node"
length = 3
period_s = 0.01
value = [
  { channel = "current_A", byte = 0, bits = 16, signed = true, scale = 0.01, unit = "A" },
  { channel = "temperature_housing_degC", byte = 2, bits = 8, signed = false, unit = "degC" },
]
"""


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            CURVE.replace('"C"', '"G"'),
            "curve: found 'G', expected 'A', 'B', 'C', 'D', 'E' or 'F'.",
        ),
        (
            CURVE + "setting_rated = 1.0\n",
            "setting: expected one of setting and setting_rated.",
        ),
        (
            CURVE + 'reset = "dependent"\n',
            "reset: found 'dependent' with curve 'C', which has no reset time of its own; expected "
            "reset_s beside it, or a curve of D, E, F.",
        ),
        (
            CURVE + "reset_s = 5.0\n",
            "reset_s: found 5 with reset = 'instant', expected it with reset = 'dependent' only.",
        ),
        (
            CURVE.replace(CURRENT, HOUSING),
            "channel: found 'temperature_housing_degC', expected a current or a torque: a "
            "time-current curve is of nothing else.",
        ),
        (CURVE + "tms = 0.0\n", "tms: found 0.0, expected greater than 0."),
        (CURVE + "drop_off = 1.2\n", "drop_off: found 1.2, expected at most 1."),
        (
            IMAGE + "drop_off_percent = 110.0\n",
            "drop_off_percent: found 110, expected at most 100, the above_percent of this limit.",
        ),
        (
            IMAGE + "most_degC = 35.0\n",
            "most_degC: found 35, expected more than 40, the ambient that I_B is told for.",
        ),
        (IMAGE.replace("heating_s = 600.0\n", ""), "heating_s: this key is missing."),
        (
            RATE + "drop_off_per_min = 9.0\n",
            "drop_off_per_min: found 9, expected at most 8, the rise_per_min of this limit.",
        ),
        (
            ASTRAY + "drop_off = 0.06\n",
            "drop_off: found 0.06, expected 0 to 0.05, the above of this limit.",
        ),
        (
            ASTRAY.replace("position_rad", "fault_code"),
            "channel: found 'fault_code', expected a measured channel, whose set-point another "
            "channel reports.",
        ),
        (
            FROZEN.replace("current_A", "temperature_housing_degC"),
            "load: found 'temperature_housing_degC', the channel itself; expected another channel.",
        ),
        (FROZEN.replace("on_delay_s = 60.0\n", ""), "on_delay_s: this key is missing."),
        (
            TOUCH + 'channel = "temperature_winding_degC"\n',
            "channel: found 'temperature_winding_degC', which lies inside: nobody touches it; "
            "expected 'temperature_housing_degC', of a joint or of a [[sensor]]: a burn threshold "
            "is one of a surface.",
        ),
        (
            TOUCH + 'channel = "temperature_drive_degC"\n',
            "channel: found 'temperature_drive_degC', which lies inside: nobody touches it; "
            "expected 'temperature_housing_degC', of a joint or of a [[sensor]]: a burn threshold "
            "is one of a surface.",
        ),
        (
            TOUCH.replace("60.0", "5.0"),
            "contact_s: found 5, expected one of 1, 10, 60, 600, 28800; for any other, say the "
            "threshold with above.",
        ),
        (
            TOUCH + "drop_off = 52.0\n",
            "drop_off: found 52, expected at most 51, the threshold of this limit.",
        ),
        (
            f'kind = "level"\n{CURRENT}outside = [5.0, 2.0]\n',
            "outside: found [5, 2], expected the lower one first.",
        ),
        (
            f'kind = "level"\n{CURRENT}outside = [2.0, 5.0]\ninside = [1.0, 4.0]\n',
            "inside: found [1, 4], expected two levels within [2, 5], the outside of this limit.",
        ),
        (
            f'kind = "level"\n{HOUSING}above_rated = 0.9\n',
            "channel: found 'temperature_housing_degC' with a share of rated, expected a torque, a "
            "current or a voltage: nothing else has a rated value.",
        ),
        (
            f'kind = "level"\n{CURRENT}above_rated = 1e308\n',
            "above_rated: found 1e+308, expected at most 1000000.",
        ),
        (
            f'kind = "level"\n{CURRENT}above_rated = 0.9\ndrop_off_rated = 1.0\n',
            "drop_off_rated: found 1, expected at most 0.9.",
        ),
        (
            BUS.replace("0.7", "70.0"),
            "above: found 70, expected at most 1: the load is a share of 1.",
        ),
        (BUS.replace("above = 0.7\n", ""), "above: this key is missing; only losses have none."),
        (
            BUS.replace("load", "lost"),
            "above: found 0.7 with watch = 'lost', expected none: any loss counts, at once. "
            "off_delay_s says how long without another.",
        ),
        (
            BUS + 'joint = "shoulder"\n',
            "joint: there is no such key. Known: above, drop_off, kind, name, off_delay_s, "
            "on_delay_s, severity, watch.",
        ),
        (
            DISK + "drop_off_h = 5.0\n",
            "drop_off_h: found 5, expected at least 6, the below_h of this limit.",
        ),
    ],
)
def test_mistakes_of_a_file(text, sentence):
    """Each is answered with the key, what stands there and what would be right."""
    with pytest.raises(InputError) as fault:
        parse_limits(HEAD + text, "limits.toml")
    assert str(fault.value) == f"limits.toml: limit[1].{sentence}"


@pytest.fixture
def bench() -> Bench:
    """Two joints, one of them with a rated current, and a sensor."""
    return bench_from_texts(BENCH, {"own": LAYOUT}, where="bench.toml")


def test_what_fits_the_bench_is_taken(bench):
    """A surface sensor may be touched, a rated current may be shared, no delay may be none."""
    for text in (
        TOUCH + 'joint = "skin"\n',
        CURVE.replace("setting", "setting_rated") + 'joint = "shoulder"\n',
        RATE + "on_delay_s = 0.01\n",
        FROZEN,
        BUS,
        DISK,
    ):
        check_for_bench(parse_limits(HEAD + text, "limits.toml"), bench, "limits.toml")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            ASTRAY,
            "channel: found 'position_rad', which no joint of the bench carries; expected one of "
            "current_A, temperature_housing_degC.\n"
            "limits.toml: limit[1] (x).channel: found 'position_setpoint_rad', which no joint of "
            "the bench carries; expected one of current_A, temperature_housing_degC.",
        ),
        (
            FROZEN.replace("current_A", "torque_Nm") + 'joint = "elbow"\n',
            "load: found 'torque_Nm', which joint 'elbow' does not carry; expected one of "
            "current_A, temperature_housing_degC.",
        ),
        (
            IMAGE + "most_degC = 155.0\n",
            "most_degC: 'temperature_ambient_degC' is what no joint of the bench carries; expected "
            "one of current_A, temperature_housing_degC.",
        ),
        (
            CURVE.replace("setting", "setting_rated"),
            "setting_rated: joint 'elbow' has no rated current; expected rated = { current = ... } "
            "in the bench file, or the limit in the channel's own unit.",
        ),
        (
            f'kind = "level"\n{CURRENT}above = 5.0\non_delay_s = 0.002\njoint = "elbow"\n',
            "on_delay_s: found 0.002, expected 0 or at least 0.01, the period of the frame that "
            "carries current_A of 'elbow'.",
        ),
        (
            f'kind = "rate"\n{CURRENT}rise_per_min = 5.0\nover_s = 0.01\njoint = "elbow"\n',
            "over_s: found 0.01, expected at least 0.02, two periods of the frame that carries "
            "current_A of 'elbow': one step is no rise.",
        ),
        (
            'kind = "silence"\nafter_s = 0.01\njoint = "elbow"\n',
            "after_s: found 0.01, expected more than 0.01, the period of the quickest frame of "
            "'elbow'.",
        ),
        (
            TOUCH + 'joint = "skni"\n',
            "joint: found 'skni', expected a joint of the bench. Did you mean 'skin'? "
            "Known: elbow, shoulder, skin.",
        ),
    ],
)
def test_what_does_not_fit_the_bench(bench, text, sentence):
    """A channel, a rated value or a joint that is not there, and a delay between two frames."""
    with pytest.raises(InputError) as fault:
        check_for_bench(parse_limits(HEAD + text, "limits.toml"), bench, "limits.toml")
    assert str(fault.value) == f"limits.toml: limit[1] (x).{sentence}"


@pytest.mark.parametrize("name", ["frames-lost", "disk-low", "stop-without-effect"])
def test_a_name_that_the_recorder_has_for_itself(bench: Bench, name: str):
    """Two alerts of one name would take each other's numbers; its own watch may be set, though."""
    text = (HEAD + BUS).replace('"x"', f'"{name}"')
    with pytest.raises(InputError, match="which the recorder says of itself"):
        check_for_bench(parse_limits(text, "limits.toml"), bench, "limits.toml")
    lost = HEAD.replace('"x"', '"frames-lost"') + 'kind = "bus"\nwatch = "lost"\n'
    check_for_bench(parse_limits(lost, "limits.toml"), bench, "limits.toml")


def test_limits_of_a_recording_stay_as_they_were(bench):
    """A delay that a recording was made with is not refused when it is decoded again."""
    text = f'kind = "level"\n{CURRENT}above = 5.0\non_delay_s = 0.002\n'
    check_for_bench(parse_limits(HEAD + text, "limits.toml"), bench, "the limits", delays=False)
