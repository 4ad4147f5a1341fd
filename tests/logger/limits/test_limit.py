"""Limits files: what is taken, what is refused and in which words."""

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.layout import shipped_layout_text
from logger.limits.kinds import KIND_NAMES
from logger.limits.kinds.level import Level
from logger.limits.kinds.silence import Silence
from logger.limits.limit import (
    LimitSet,
    check_for_bench,
    parse_limits,
    read_limits,
)

HEAD = "format = 1\n"
WARM = """
[[limit]]
name      = "housing-warm"
kind      = "level"
severity  = "warning"
joint     = "shoulder"
channel   = "temperature_housing_degC"
above     = 70.0
drop_off  = 67.0
on_delay_s  = 5.0
off_delay_s = 5.0
"""
HARD = """
[[limit]]
name     = "overload"
kind     = "level"
severity = "trip"
channel  = "torque_Nm"
above    = 30
"""
SILENT = """
[[limit]]
name     = "silent"
kind     = "silence"
severity = "warning"
after_s  = 0.5
"""
BENCH = """
[bus]
interface = "virtual"
[[joint]]
name = "shoulder"
layout = "harvest-joint"
node = 1
[[joint]]
name = "elbow"
layout = "harvest-joint"
node = 2
torque = { from = "current", per_ampere = 1.6 }
"""


@pytest.fixture
def bench():
    """Two joints, of which only the elbow has a torque."""
    text = shipped_layout_text("harvest-joint")
    assert text is not None
    return bench_from_texts(BENCH, {"harvest-joint": text}, where="bench.toml")


def refused(text: str) -> str:
    """Return the sentence with which a limits file is refused."""
    with pytest.raises(InputError) as fault:
        parse_limits(HEAD + text, "limits.toml")
    return str(fault.value)


def test_a_limits_file_is_taken():
    """Every key arrives, defaults are those that are said, the text is kept verbatim."""
    text = HEAD + WARM + HARD + SILENT
    limits = parse_limits(text, "limits.toml")
    warm, hard, silent = limits.limits
    assert isinstance(warm, Level)
    assert (warm.pick_up, warm.clears_at, warm.on_delay_s, warm.off_delay_s) == (70, 67, 5, 5)
    assert (warm.rising, warm.magnitude, warm.joint) == (True, False, "shoulder")
    assert isinstance(hard, Level)
    assert (hard.clears_at, hard.drop_off, hard.on_delay_s, hard.joint) == (30, None, 0, None)
    assert isinstance(silent, Silence)
    assert silent.after_s == 0.5
    assert limits.text == text


def test_current_and_torque_mean_the_magnitude():
    """Lowering a load is a load, unless the file says otherwise; a temperature has a sign."""
    hard, signed = parse_limits(
        HEAD + HARD + HARD.replace("overload", "pushing") + "magnitude = false\n", "limits.toml"
    ).limits
    assert isinstance(hard, Level)
    assert isinstance(signed, Level)
    assert hard.magnitude
    assert not signed.magnitude


def test_no_limits_are_limits_too():
    """A file without limits is taken, and the empty set's text reads back as the empty set."""
    assert parse_limits(LimitSet().text, "limits.toml") == LimitSet()


def test_limits_of_a_joint():
    """A joint gets the limits that name it or nobody, on channels that it carries, in order."""
    limits = parse_limits(HEAD + WARM + HARD + SILENT, "limits.toml")

    def names(joint: str, *channels: str) -> list[str]:
        return [limit.name for limit in limits.for_joint(joint, channels)]

    both = ("temperature_housing_degC", "torque_Nm")
    assert names("shoulder", *both) == ["housing-warm", "overload", "silent"]
    assert names("elbow", *both) == ["overload", "silent"]
    assert names("elbow") == ["silent"]


def test_a_limit_by_name():
    """A limit is found by its name; one that is not there is None."""
    limits = parse_limits(HEAD + SILENT, "limits.toml")
    assert limits.by_name("silent") == limits.limits[0]
    assert limits.by_name("loud") is None


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            SILENT + WARM.replace("67.0", "72.0"),
            "limits.toml: limit[2].drop_off: found 72, expected at most 70, the above of this "
            "limit.",
        ),
        (
            WARM.replace("above", "below"),
            "limits.toml: limit[1].drop_off: found 67, expected at least 70, the below of this "
            "limit.",
        ),
        (
            WARM.replace("above     = 70.0", ""),
            "limits.toml: limit[1].above: this key is missing; a level limit has above or below.",
        ),
        (
            WARM + "below = 3.0\n",
            "limits.toml: limit[1].below: found 3 beside above = 70, expected one of the two. "
            "Write two limits.",
        ),
        (
            WARM.replace("drop_off", "dropoff"),
            "limits.toml: limit[1].dropoff: there is no such key. Did you mean 'drop_off'? "
            "Known: above, below, channel, drop_off, joint, kind, magnitude, name, off_delay_s, "
            "on_delay_s, severity.",
        ),
        (
            WARM.replace("housing_degC", "housing"),
            "limits.toml: limit[1].channel: found 'temperature_housing', expected a channel such "
            "as temperature_<place>_degC, its place in small letters, digits and '_'; usual are "
            "temperature_winding_degC, temperature_housing_degC, temperature_drive_degC, "
            "temperature_ambient_degC. Did you mean "
            "'temperature_housing_degC'?",
        ),
        (
            WARM.replace('"level"', '"levle"'),
            f"limits.toml: limit[1].kind: found 'levle', expected one of {', '.join(KIND_NAMES)}. "
            "Did you mean 'level'?",
        ),
        (
            WARM.replace('kind      = "level"', ""),
            "limits.toml: limit[1].kind: this key is missing; expected one of "
            f"{', '.join(KIND_NAMES)}.",
        ),
        (
            SILENT.replace("0.5", "0"),
            "limits.toml: limit[1].after_s: found 0, expected greater than 0.",
        ),
        (
            WARM.replace("on_delay_s  = 5.0", "on_delay_s = -1"),
            "limits.toml: limit[1].on_delay_s: found -1, expected at least 0.",
        ),
        (
            WARM.replace('"warning"', '"alarm"'),
            "limits.toml: limit[1].severity: found 'alarm', expected 'warning' or 'trip'.",
        ),
        (
            WARM.replace("70.0", "nan"),
            "limits.toml: limit[1].above: found nan, expected a finite number.",
        ),
        (
            HARD.replace("30", "-30"),
            "limits.toml: limit[1].above: found -30 with magnitude = true, expected 0 or more: a "
            "magnitude is never negative. Set magnitude = false to tell the directions apart.",
        ),
        (
            HARD + "drop_off = -1\n",
            "limits.toml: limit[1].drop_off: found -1 with magnitude = true, expected 0 or more: "
            "the limit would never clear.",
        ),
        (
            SILENT + WARM + SILENT,
            "limits.toml: limit[3].name: found 'silent', which limit[1] has already; expected one "
            "limit of each name.",
        ),
        (
            "[[limits]]\n",
            "limits.toml: limits: there is no such key. Did you mean 'limit'? Known: "
            "format, limit.",
        ),
        ("limit = 3\n", "limits.toml: limit: found 3, expected a list in [ ]."),
    ],
)
def test_mistakes_are_answered(text, sentence):
    """File, key, found, expected: one sentence, the nearest known name where there is one."""
    assert refused(text) == sentence


def test_all_mistakes_at_once():
    """Two limits with a mistake each give two sentences."""
    said = refused(WARM.replace("67.0", "72.0") + SILENT.replace("0.5", "-1"))
    assert [line.split(": ")[1] for line in said.splitlines()] == [
        "limit[1].drop_off",
        "limit[2].after_s",
    ]


def test_other_formats_are_refused():
    """A file of another format, of none, or that is no TOML is not guessed at."""
    for text, key in (
        ("format = 2\n", "format"),
        ("", "format"),
        ("format = \n", "not valid TOML"),
    ):
        with pytest.raises(InputError, match=key):
            parse_limits(text, "limits.toml")


def test_read_from_disk(tmp_path):
    """A file is read from disk; one that is not there is answered with its name."""
    path = tmp_path / "limits.toml"
    with pytest.raises(InputError, match="there is no such limits file"):
        read_limits(path)
    path.write_text(HEAD + WARM, encoding="utf-8")
    assert read_limits(path).limits[0].name == "housing-warm"


def test_limits_that_fit_a_bench(bench):
    """A limit for all joints may rest on a channel that only one of them carries."""
    check_for_bench(parse_limits(HEAD + WARM + HARD + SILENT, "limits.toml"), bench, "limits.toml")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            SILENT + WARM.replace("shoulder", "sholder"),
            "limits.toml: limit[2] (housing-warm).joint: found 'sholder', expected a joint of the "
            "bench. Did you mean 'shoulder'? Known: elbow, shoulder.",
        ),
        (
            SILENT + 'joint = "wrist"\n',
            "limits.toml: limit[1] (silent).joint: found 'wrist', expected a joint of the bench. "
            "Known: elbow, shoulder.",
        ),
        (
            HARD + 'joint = "shoulder"\n',
            "limits.toml: limit[1] (overload).channel: found 'torque_Nm', which joint 'shoulder' "
            "does not carry; expected one of current_A, fault_code, position_rad, "
            "position_setpoint_rad, speed_rad_s, temperature_drive_degC, "
            "temperature_housing_degC, torque_setpoint_Nm, voltage_V.",
        ),
        (
            WARM.replace("housing_degC", "winding_degC").replace('joint     = "shoulder"', ""),
            "limits.toml: limit[1] (housing-warm).channel: found 'temperature_winding_degC', which "
            "no joint of the bench carries; expected one of current_A, fault_code, position_rad, "
            "position_setpoint_rad, speed_rad_s, temperature_drive_degC, "
            "temperature_housing_degC, torque_Nm, torque_setpoint_Nm, voltage_V.",
        ),
    ],
)
def test_limits_that_do_not_fit_a_bench(bench, text, sentence):
    """A joint or a channel that the bench does not have is answered with what it has."""
    with pytest.raises(InputError) as fault:
        check_for_bench(parse_limits(HEAD + text, "limits.toml"), bench, "limits.toml")
    assert str(fault.value) == sentence
