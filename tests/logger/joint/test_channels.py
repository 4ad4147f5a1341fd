"""Names of channels: what they carry, what is refused, and the order of columns."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.channels import (
    USUAL_CHANNELS,
    channel_named,
    channel_of_quantity,
    explain_channel_name,
    in_channel_order,
    is_channel,
    setpoint_of,
)
from logger.joint.quantities import QUANTITIES

PLACES = st.from_regex(r"[a-z][a-z0-9]{0,8}(_[a-z0-9]{1,6}){0,2}", fullmatch=True)


@pytest.mark.parametrize(
    ("name", "quantity", "place", "setpoint", "label"),
    [
        ("torque_Nm", "torque", "", False, "torque"),
        ("torque_sensor_Nm", "torque", "sensor", False, "torque (sensor)"),
        ("temperature_bearing_degC", "temperature", "bearing", False, "bearing"),
        ("temperature_winding_2_degC", "temperature", "winding_2", False, "winding 2"),
        ("position_output_rad", "position", "output", False, "position (output)"),
        ("position_output_setpoint_rad", "position", "output", True, "position set-point (output)"),
        ("speed_setpoint_rad_s", "speed", "", True, "speed set-point"),
        ("acceleration_arm_tip_m_s2", "acceleration", "arm_tip", False, "acceleration (arm tip)"),
        ("fault_encoder_code", "fault", "encoder", False, "fault code (encoder)"),
        ("ratio_duty_1", "ratio", "duty", False, "ratio (duty)"),
        ("voltage_V", "voltage", "", False, "supply voltage"),
    ],
)
def test_a_name_says_quantity_place_and_unit(
    name: str, quantity: str, place: str, *, setpoint: bool, label: str
):
    """The parts of a name, and what pages call it."""
    channel = channel_named(name)
    assert (channel.quantity, channel.place, channel.setpoint) == (quantity, place, setpoint)
    assert channel.label == label
    assert channel.ucum == QUANTITIES[quantity].ucum


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("torqe_Nm", ["'torque_Nm'", "force (N)"]),
        ("torque_N", ["torque_<place>_Nm", "'torque_Nm'"]),
        ("temperature_housing", ["'temperature_housing_degC'"]),
        ("temperature_degC", ["temperature_<place>_degC"]),
        ("temperature_housng_degC", ["nearly its name", "'temperature_housing_degC'"]),
        ("torque_sepoint_Nm", ["'torque_setpoint_Nm'"]),
        ("torque__Nm", ["torque_<place>_Nm"]),
        ("torque_Sensor_Nm", ["small letters"]),
        ("torque_setpoint_sensor_Nm", ["torque_<place>_Nm"]),
        ("temperature_../x_degC", ["small letters"]),
        ("temperature_" + "a" * 60 + "_degC", ["temperature_<place>_degC"]),
        ("", ["temperature (degC)"]),
    ],
)
def test_what_is_no_channel_is_refused_with_what_is_known(name: str, words: list[str]):
    """Another unit, no place, a slip in a usual place, signs that no column should have."""
    assert not is_channel(name)
    said = "".join(explain_channel_name(name))
    for word in words:
        assert word in said


@given(quantity=st.sampled_from(sorted(QUANTITIES)), place=PLACES, setpoint=st.booleans())
def test_every_quantity_can_be_anywhere(quantity: str, place: str, *, setpoint: bool):
    """A name that is made is read as what it was made of, unless it is taken for a slip."""
    name = channel_of_quantity(quantity, place, setpoint=setpoint)
    if is_channel(name):
        channel = channel_named(name)
        assert channel_of_quantity(channel.quantity, channel.place, setpoint=channel.setpoint) == (
            name
        )
        assert channel.quantity == quantity
    else:
        assert "setpoint" in place.split("_") or "nearly" in "".join(explain_channel_name(name))


def test_a_channel_has_at_most_one_setpoint():
    """Of the same place; a code and a set-point have none."""
    assert setpoint_of("torque_sensor_Nm") == "torque_sensor_setpoint_Nm"
    assert setpoint_of("position_rad") == "position_setpoint_rad"
    assert setpoint_of("position_setpoint_rad") is None
    assert setpoint_of("fault_code") is None


@given(st.permutations([*USUAL_CHANNELS, "torque_sensor_Nm", "force_arm_N", "torque_arm_Nm"]))
def test_columns_stand_in_one_order(names: list[str]):
    """Whatever order they are named in; the usual ones where they always were."""
    ordered = in_channel_order([*names, "torque_Nm"])
    assert ordered[: len(USUAL_CHANNELS)] == USUAL_CHANNELS
    assert ordered[len(USUAL_CHANNELS) :] == ("torque_arm_Nm", "torque_sensor_Nm", "force_arm_N")
