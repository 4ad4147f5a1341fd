"""Signals of a bus description that would share a channel: one keeps it, the others get a place."""

from pathlib import Path

import pytest

from logger.joint.bench.layout import parse_layout
from logger.layout_tools.dbc_import import layout_file_text, read_messages
from tests.support.command import run

SHARED = """
VERSION ""
NS_ :
BS_:
BU_: Joint
BO_ 642 Limits: 4 Joint
 SG_ MaxTorque : 0|16@1- (0.1,0) [0|0] "Nm" Joint
 SG_ TorqueLimitCmd : 16|16@1- (0.1,0) [0|0] "Nm" Joint
BO_ 641 Load: 6 Joint
 SG_ SensorTorque : 0|16@1- (0.1,0) [0|0] "Nm" Joint
 SG_ WindingTemp : 16|8@1- (1,0) [0|0] "degC" Joint
 SG_ WindingTemp2 : 24|8@1- (1,0) [0|0] "degC" Joint
BO_ 640 Status: 6 Joint
 SG_ ActualTorque : 0|16@1- (0.1,0) [0|0] "Nm" Joint
 SG_ TorqueRef : 16|16@1- (0.1,0) [0|0] "Nm" Joint
 SG_ Torque : 32|16@1- (0.1,0) [0|0] "Nm" Joint
BO_ 643 Rest: 4 Joint
 SG_ Torque : 0|16@1- (0.1,0) [0|0] "Nm" Joint
 SG_ MeasuredTorque : 16|16@1- (0.1,0) [0|0] "Nm" Joint
"""


@pytest.fixture
def shared_bus(tmp_path: Path) -> Path:
    """Write a bus description of several torques."""
    path = tmp_path / "shared.dbc"
    path.write_text(SHARED, encoding="utf-8")
    return path


def test_no_two_signals_are_one_channel(shared_bus: Path):
    """Actual, sensor and limit across frames: one is the joint's own, the others get a place."""
    messages = read_messages(shared_bus)
    names = ["Limits", "Load", "Status", "Rest"]
    text = layout_file_text(messages, names, name="l", source="shared.dbc")
    layout = parse_layout(text, "l.toml")
    assert [[value.channel for value in frame.value] for frame in layout.frame] == [
        ["torque_max_Nm", "torque_limit_setpoint_Nm"],
        ["torque_sensor_Nm", "temperature_winding_degC", "temperature_winding_2_degC"],
        ["torque_Nm", "torque_setpoint_Nm", "torque_status_Nm"],
        ["torque_rest_Nm"],
    ]
    assert (
        "  # SensorTorque, in Nm: by its unit; torque_Nm is ActualTorque of Status, so with a "
        "place from the names" in text
    )
    # Nothing is left that would tell it from the others: said, and the shape of a name.
    assert (
        "  # Torque, in Nm: torque_Nm is ActualTorque of Status; name a channel such as "
        "torque_<place>_Nm, or remove it" in text
    )


def test_a_bound_is_nobodys_measured_value(shared_bus: Path):
    """Alone on its channel too: a limit of torque is no torque."""
    text = layout_file_text(read_messages(shared_bus), ["Limits"], name="l", source="s.dbc")
    (frame,) = parse_layout(text, "l.toml").frame
    assert [value.channel for value in frame.value] == ["torque_max_Nm", "torque_limit_setpoint_Nm"]
    assert "a bound by its name, which torque_Nm is not" in text


def test_shared_channels_are_said_on_the_command_line(shared_bus: Path):
    """Which signal has the channel, and where the others went."""
    done = run(
        "layout",
        "from",
        "shared.dbc",
        "--message",
        "Load",
        "--message",
        "Status",
        cwd=shared_bus.parent,
    )
    assert done.returncode == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert "torque_Nm is ActualTorque of Status; by their units also: SensorTorque of Load" in said
    assert "is torque_sensor_Nm" in said
    assert "WindingTemp2 of Load is temperature_winding_2_degC" in said
