"""Readings at a level, of every count and as shares of rated values, against exact fractions."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.counts import CountGrid, count_grids
from logger.limits.evaluate import evaluate, initial_state, plan_limits
from logger.limits.limit import parse_limits
from logger.limits.thresholds import (
    at_least,
    at_most,
    difference_grids,
    level_pair,
    magnitude_grids,
)
from tests.support.depth import examples

S = 1_000_000_000
STEPS = ("1", "0.5", "0.1", "0.3", "0.7", "0.01", "0.001", "0.0078125", "0.018", "0.0375")
OFFSETS = ("0", "-40", "-273.15", "0.05", "1000.3")


def told(limit: str, channel: str, values, grids) -> list[str]:
    """Return what each reading of a trace makes of a limit without delays, "" for nothing."""
    text = f'format = 1\n[[limit]]\nname = "x"\nseverity = "warning"\n{limit}'
    plan = plan_limits(
        parse_limits(text, "limits.toml"),
        joint="a",
        hold_ns={channel: 10 * S},
        grids={channel: grids},
    )
    changes, _ = evaluate(
        plan,
        initial_state(plan, start_ns=0),
        ReadingBatch(
            joint="a",
            time_ns=np.arange(len(values)) * S,
            position_segment=np.full(len(values), -1, np.int32),
            columns={channel: np.array(values, float)},
        ),
        now_ns=len(values) * S,
    )
    by_row = {change.time_ns // S: str(change.kind) for change in changes}
    return [by_row.get(row, "") for row in range(len(values))]


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("offset", OFFSETS)
def test_every_level_on_and_between_counts_is_exact(step: str, offset: str):
    """At, below and above by one count and by half of one; nothing is lost in the product."""
    grid = CountGrid(float(step), float(offset))
    for raw in (-1111, -17, -1, 0, 1, 3, 9, 82, 423, 900, 1111, 65535):
        for part in ("0", "1/2", "1/100", "99/100"):
            exact = (raw + Fraction(part)) * Fraction(step) + Fraction(offset)
            level = float(exact)
            for count in range(raw - 2, raw + 4):
                reading = count * float(step) + float(offset)
                size = count * Fraction(step) + Fraction(offset)
                assert (reading >= at_least(level, (grid,))) == (size >= exact), (level, count)
                assert (reading <= at_most(level, (grid,))) == (size <= exact), (level, count)


@settings(max_examples=examples(300))
@given(
    st.integers(-(10**6), 10**6),
    st.integers(1, 10**6),
    st.integers(1, 5),
    st.integers(-(10**5), 10**5),
    st.integers(-2, 2),
)
def test_any_count_is_exact(raw: int, step: int, digits: int, offset: int, other: int):
    """Counts of up to six digits after an offset of five."""
    exact_step, exact_offset = Fraction(step, 10**digits), Fraction(offset, 100)
    grid = CountGrid(float(exact_step), float(exact_offset))
    level = float(raw * exact_step + exact_offset)
    reading = (raw + other) * grid.step + grid.offset
    assert (reading >= at_least(level, (grid,))) == (other >= 0)
    assert (reading <= at_most(level, (grid,))) == (other <= 0)


def test_floats_of_few_bits_are_at_the_nearest_number():
    """42.3 as a float of 32 bits is 42.2999992: a joint that reports so means 42.3."""
    for bits, kind in ((16, np.float16), (32, np.float32)):
        grid = CountGrid(1.0, 0.0, bits)
        for level in (42.3, -42.3, 0.1, 1.0, 1024.0, 3e4, 1 / 3):
            at = kind(level)
            for reading, above in ((at, True), (np.nextafter(at, kind(-np.inf)), False)):
                assert (float(reading) >= at_least(level, (grid,))) == above
            for reading, below in ((at, True), (np.nextafter(at, kind(np.inf)), False)):
                assert (float(reading) <= at_most(level, (grid,))) == below


def test_without_a_count_a_billionth_is_at_the_level():
    """Of the level, and of 1 at least: the rounding of a conversion, and nothing measured."""
    kelvins = 273.25 - 273.15
    assert kelvins != 0.1
    assert kelvins >= at_least(0.1)
    assert kelvins <= at_most(0.1)
    assert at_least(42.3) > 42.3 - 1e-6
    assert at_most(42.3) < 42.3 + 1e-6
    # Counts too many for a float to tell are no counts.
    assert at_least(1e12, (CountGrid(1e-3),)) == at_least(1e12)


def test_several_counts_of_one_channel():
    """Two frames that carry a channel in other counts: between the nearest of both."""
    grids = (CountGrid(0.1), CountGrid(0.25))
    below, at = max(Fraction("0.9"), Fraction("0.75")), Fraction(1)
    assert below < at_least(0.95, grids) < at
    assert at_least(1.0, grids) == pytest.approx(0.95)


def test_magnitudes_and_differences_have_counts_of_their_own():
    """Of 0.25 + n the magnitudes are 0.25, 0.75 ...; differences lose the offset."""
    half = (CountGrid(1.0, 0.25),)
    assert at_least(0.7, magnitude_grids(half)) == pytest.approx(0.5)
    assert difference_grids(half, half) == (CountGrid(1.0),)
    assert difference_grids((CountGrid(0.001),), (CountGrid(0.01, 1.0),)) == (
        CountGrid(0.001, -1.0),
    )
    assert difference_grids((CountGrid(0.001),), (CountGrid(0.0007),)) == ()


def test_where_both_levels_are_one_raising_comes_first():
    """A reading at both is on; the number up to which it is off is never the larger."""
    on, off = level_pair(110.0, 110.0, (CountGrid(1.0),))
    assert on == off == 109.5


RATED = {"torque": 18.0, "current": 11.0, "voltage": 48.0}
LAYOUT = """\
format = 1
name = "drive"
[[frame]]
name = "status"
identifier = 16
period_s = 1.0
length = 6
[[frame.value]]
channel = "torque_Nm"
byte = 0
bits = 16
signed = true
unit = "per_mille"
[[frame.value]]
channel = "voltage_V"
byte = 2
bits = 16
scale = 0.1
[[frame.value]]
channel = "temperature_housing_degC"
byte = 4
bits = 8
"""


def bench(rated_torque: float):
    """Return a bench of one joint that reports so."""
    text = (
        '[bus]\ninterface = "virtual"\nchannel = "x"\nbitrate = 1000000\n'
        f'[[joint]]\nname = "a"\nlayout = "drive"\nnode = 1\n'
        f"rated = {{ torque = {rated_torque}, voltage = 48.0 }}\n"
    )
    return bench_from_texts(text, {"drive": LAYOUT}, where="bench.toml")


@pytest.mark.parametrize("rated", ["18.0", "11.1", "0.7", "33.3", "250.0"])
def test_every_per_mille_of_rated_reaches_its_share(rated: str):
    """160 levels as shares of the rated torque, reported in per mille of it."""
    its = bench(float(rated))
    grids = count_grids(its, its.joints[0])["torque_Nm"]
    step = 1e-3 * float(rated)
    for per_cent in range(1, 161):
        share, raw = per_cent / 100, per_cent * 10
        text = 'format = 1\n[[limit]]\nname = "x"\nkind = "level"\nseverity = "trip"\n'
        limits = parse_limits(f'{text}channel = "torque_Nm"\nabove_rated = {share}\n', "l.toml")
        plan = plan_limits(
            limits,
            joint="a",
            hold_ns={"torque_Nm": S},
            rated=its.joints[0].rated,
            grids={"torque_Nm": grids},
        )
        raised = {}
        for count in (raw - 1, raw, raw + 1, -raw, -raw + 1):
            changes, _ = evaluate(
                plan,
                initial_state(plan, start_ns=0),
                ReadingBatch(
                    joint="a",
                    time_ns=np.zeros(1, np.int64),
                    position_segment=np.full(1, -1, np.int32),
                    columns={"torque_Nm": np.array([count * step])},
                ),
                now_ns=S,
            )
            raised[count] = bool(changes)
        assert raised == {count: abs(count) >= raw for count in raised}, share


@pytest.mark.parametrize("tenths", [1, 3, 7, 101, 423, 424, 480, 555, 1001])
def test_every_kind_of_level_says_the_same_at_its_level(tenths: int):
    """Counts of 0.1 V at, below and above a level: raised at it, and cleared at the drop-off."""
    grids, level = (CountGrid(0.1),), tenths / 10
    trace = [(tenths + more) * 0.1 for more in (-30, -1, 0, 1, 0, -1, -2, -3)]
    channel = 'kind = "level"\nchannel = "voltage_V"\n'
    above = told(f"{channel}above = {level}", "voltage_V", trace, grids)
    assert above == ["", "", "raised", "", "", "returned", "", ""]
    drop = round(level - 0.2, 9)
    cleared = told(f"{channel}above = {level}\ndrop_off = {drop}", "voltage_V", trace, grids)
    assert cleared == ["", "", "raised", "", "", "", "returned", ""]
    mirrored = [2 * tenths * 0.1 - value for value in trace]
    mirrored = [round(value / 0.1) * 0.1 for value in mirrored]
    below = told(f"{channel}below = {level}", "voltage_V", mirrored, grids)
    assert below == above
    outside = told(f"{channel}outside = [-100.0, {level}]", "voltage_V", trace, grids)
    assert outside == above
    inside = f"{channel}outside = [-100.0, {level}]\ninside = [-99.0, {drop}]"
    assert told(inside, "voltage_V", trace, grids) == cleared


def test_a_burn_threshold_on_a_sensor_of_whole_degrees():
    """Raised at the threshold, as every level."""
    touch = 'kind = "touch"\ncontact_s = 1.0'
    channel = "temperature_housing_degC"
    assert told(touch, channel, [64, 65, 64], (CountGrid(1.0),)) == ["", "raised", "returned"]


def test_a_tracking_error_of_counts():
    """0.35 - 0.30 is 0.04999999999999999, and an error of 0.05."""
    text = (
        'format = 1\n[[limit]]\nname = "x"\nseverity = "warning"\nkind = "tracking"\n'
        'channel = "position_rad"\nabove = 0.05\n'
    )
    names = ("position_rad", "position_setpoint_rad")
    plan = plan_limits(
        parse_limits(text, "limits.toml"),
        joint="a",
        hold_ns=dict.fromkeys(names, 10 * S),
        grids=dict.fromkeys(names, (CountGrid(0.01),)),
    )
    for actual in range(-100, 100):
        columns = {names[0]: [actual * 0.01] * 2, names[1]: [(actual + 4) * 0.01] * 2}
        columns[names[1]][1] = (actual + 5) * 0.01
        batch = ReadingBatch(
            joint="a",
            time_ns=np.arange(2) * S,
            position_segment=np.full(2, -1, np.int32),
            columns={name: np.array(values) for name, values in columns.items()},
        )
        changes, _ = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=S)
        assert [change.time_ns for change in changes] == [S], actual


def test_a_reading_that_moves_by_what_counts_as_none_is_frozen():
    """25.3 - 25.2 is 0.1000000000000014: one count, and no more than `within`."""
    text = (
        'format = 1\n[[limit]]\nname = "x"\nseverity = "warning"\nkind = "frozen"\n'
        'channel = "temperature_housing_degC"\nwithin = 0.1\nload = "current_A"\n'
        "load_above = 0.9\non_delay_s = 5.0\n"
    )
    names = ("temperature_housing_degC", "current_A")
    plan = plan_limits(
        parse_limits(text, "limits.toml"),
        joint="a",
        hold_ns=dict.fromkeys(names, 10 * S),
        grids={names[0]: (CountGrid(0.1),), names[1]: (CountGrid(0.3),)},
    )
    n = 12
    batch = ReadingBatch(
        joint="a",
        time_ns=np.arange(n) * S,
        position_segment=np.full(n, -1, np.int32),
        columns={
            names[0]: np.array([(252 + row % 2) * 0.1 for row in range(n)]),
            names[1]: np.full(n, 3 * 0.3),
        },
    )
    changes, _ = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=n * S)
    assert [change.time_ns for change in changes] == [5 * S]


def test_a_current_at_the_multiple_of_its_setting_counts():
    """1.1 times the setting on counts of 0.1 A; one count less never does."""
    for setting in (0.5, 1.0, 3.0, 6.0, 7.0, 11.0):
        limit = (
            'kind = "inverse-time"\nchannel = "current_A"\ncurve = "C"\n'
            f"setting = {setting}\ntms = 0.01\nfrom_multiple = 1.1\n"
        )
        at = math.ceil(Fraction(str(setting)) * 11 - Fraction(1, 1000))
        for count, counts in ((at, True), (at - 1, False)):
            changes = told(limit, "current_A", [count * 0.1] * 12, (CountGrid(0.1),))
            assert ("raised" in changes) == counts


def test_the_counts_of_a_joint_are_those_of_its_layout():
    """Shares, scale and unit; what is computed from a resistance or a sensor has none."""
    its = bench(18.0)
    grids = count_grids(its, its.joints[0])
    assert grids["torque_Nm"] == (CountGrid(1e-3 * 18.0),)
    assert grids["voltage_V"] == (CountGrid(0.1),)
    assert grids["temperature_housing_degC"] == (CountGrid(1.0),)
    resistance = LAYOUT.replace("byte = 4\nbits = 8\n", 'byte = 4\nbits = 16\nresistance = "pt100"')
    other = bench_from_texts(its.text, {"drive": resistance}, where="bench.toml")
    assert "temperature_housing_degC" not in count_grids(other, other.joints[0])
