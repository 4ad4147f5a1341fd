"""A level that is dragged in a picture becomes the value of a key, and lies where it should."""

import pytest

from logger.joint.bench.joint_settings import RatedValues
from logger.limits.evaluate import in_channel_unit
from logger.limits.limit import AnyJointLimit, limits_from_tables

RATED = RatedValues(torque=18.0, current=11.0, voltage=48.0)
TABLES = [
    {"kind": "level", "channel": "torque_Nm", "above": 12.0, "drop_off": 10.0},
    {"kind": "level", "channel": "temperature_housing_degC", "below": 12.0},
    {"kind": "level", "channel": "torque_Nm", "above_rated": 1.2, "drop_off_rated": 1.0},
    {"kind": "level", "channel": "voltage_V", "outside": [40.0, 54.0]},
    {"kind": "touch", "contact_s": 60.0, "drop_off": 45.0},
    {"kind": "rate", "channel": "temperature_housing_degC", "rise_per_min": 2.0, "over_s": 60.0},
    {"kind": "tracking", "channel": "position_rad", "above": 0.1, "drop_off": 0.05},
    {"kind": "thermal", "channel": "current_A", "basic": 6.0, "heating_s": 60.0,
     "above_percent": 90.0, "drop_off_percent": 80.0},
    {"kind": "inverse-time", "channel": "current_A", "curve": "C", "setting": 6.0,
     "from_multiple": 1.05},
    {"kind": "inverse-time", "channel": "current_A", "curve": "C", "setting_rated": 0.8},
    {"kind": "silence", "after_s": 1.5},
]  # fmt: skip


def _limit(table: dict[str, object]) -> AnyJointLimit:
    (limit,) = limits_from_tables([{"name": "x", "severity": "trip", **table}], "x", text="").limits
    assert isinstance(limit, AnyJointLimit)
    return limit


@pytest.mark.parametrize("table", TABLES, ids=lambda table: "-".join(map(str, table)))
def test_a_dragged_level_is_where_it_was_let_go(table: dict[str, object]):
    """The key that a drag gives puts the level just there; each can be dragged."""
    limit = _limit(table)
    handles = limit.drag_handles(RATED)
    assert handles
    for index, handle in enumerate(handles):
        at = handle.position * 1.01 if not handle.drop_off else handle.position * 0.99
        value = at / handle.scale
        if handle.number_index is not None:
            pair = list(table[handle.key])
            pair[handle.number_index] = value
            changed = {**table, handle.key: pair}
        else:
            changed = {**table, handle.key: value}
        after = _limit(changed).drag_handles(RATED)[index]
        assert after.position == pytest.approx(at)
        assert after.key == handle.key


def test_where_a_level_lies_is_where_it_picks_up():
    """The level in the picture is the one that the evaluated limit compares with."""
    limit = _limit(TABLES[2])
    own = in_channel_unit(limit, RATED)
    assert own is not None
    assert limit.drag_handles(RATED)[0].position == pytest.approx(own.pick_up) == 1.2 * 18.0
    assert _limit(TABLES[7]).drag_handles(RATED)[0].position == pytest.approx(0.9)


def test_without_a_rated_value_there_is_no_level():
    """A share of what a joint does not have lies nowhere."""
    assert _limit(TABLES[2]).drag_handles(RatedValues()) == ()
    assert _limit(TABLES[9]).drag_handles(RatedValues()) == ()


def test_a_frozen_reading_has_none():
    """It compares with itself; its keys are typed."""
    table = {"kind": "frozen", "channel": "temperature_housing_degC", "load": "current_A",
             "load_above": 3.0, "on_delay_s": 5.0}  # fmt: skip
    assert _limit(table).drag_handles(RATED) == ()
    assert _limit(table).measure_unit == "channel"
