"""A column on its way into a channel: what is accepted, converted, checked, refused where."""

import numpy as np
import pytest

from logger.errors import InputError
from logger.joint.column_expression import parse_column_expression

COLUMNS = ("kg", "load_kg", "T1", "Load (kg)", "current_mA", "rpm", "phase_A", "Moment [N·m]", "Öl")


def _made(channel: str, text: str) -> list[float]:
    expression = parse_column_expression(text, channel=channel, columns=COLUMNS, where="--column")
    return expression.convert(np.array([1.0, 2.0])).tolist()


@pytest.mark.parametrize(
    ("channel", "text", "one"),
    [
        ("torque_Nm", "kg * 9.80665 * 0.344", 9.80665 * 0.344),
        ("torque_Nm", "kg [kg] * 9.80665 [m/s2] * 344 [mm]", 9.80665 * 0.344),
        ("torque_Nm", '"Load (kg)" * 9.80665 [m/s²] * 0.344 [m]', 9.80665 * 0.344),
        ("torque_Nm", "(kg - 0.25) * 9.80665 [m/s2] * 344 [mm]", 0.75 * 9.80665 * 0.344),
        ("torque_Nm", "Moment [N·m]", 1.0),
        ("current_A", "current_mA [mA]", 1e-3),
        ("current_A", "-T1 / 4 + 1", 0.75),
        ("force_N", "load_kg [kgf]", 9.80665),
        ("temperature_oil_degC", "T1 [°F]", -17.0 - 2 / 9),
        ("temperature_oil_degC", "Öl [degF] - 1.8", -18.0 - 2 / 9),
        ("temperature_oil_degC", "Öl * 0.1 - 40", -39.9),
        ("speed_rad_s", "rpm [rpm]", np.pi / 30),
        ("voltage_V", "phase_A [V]", 1.0),
        ("ratio_load_1", "T1 [%]", 0.01),
        ("position_rad", "T1 [deg]", np.pi / 180),
    ],
)
def test_what_it_makes_of_one(channel: str, text: str, one: float):
    """In the channel's unit, whatever the units were."""
    assert _made(channel, text)[0] == pytest.approx(one, rel=1e-12)


@pytest.mark.parametrize(
    ("channel", "text", "words"),
    [
        ("torque_Nm", "kg", "name says kg, expected N.m"),
        ("torque_Nm", "kg - 0.3", "name says kg, expected N.m"),
        ("torque_Nm", "Load (kg)", "name says kg, expected N.m"),
        ("current_A", "current_mA", "Write current_mA \\[mA\\] to have it converted"),
        ("speed_rad_s", "rpm", "name says rpm, expected rad/s"),
        ("torque_Nm", "kg [kg] * 9.8", "comes out in kg, expected N.m"),
        ("torque_Nm", "T1 * 0.344 [m]", "comes out in m, expected N.m"),
        ("torque_Nm", "kg * x", "character 6: found no column 'x'"),
        ("torque_Nm", "kg + T1", "character 6: found 'T1' beside 'kg'"),
        ("torque_Nm", "3", "character 1: found no column"),
        ("torque_Nm", "kg ** 2", "character 4: found '\\*\\* 2'"),
        ("torque_Nm", "Öl * 9.8 +", "character 11: found its end"),
        ("torque_Nm", "Öl * 9.8 [m/s2] * 1 [smoots]", "character 22: found 'smoots'"),
        ("torque_Nm", "kg * True", "character 6: found True"),
        ("torque_Nm", "kg * 1e999", "character 6: found '1e999'"),
        ("torque_Nm", "kg * 5 []", "character 9: found ']'"),
        ("torque_Nm", "kg [kg] + 1 [m]", "character 11: found units that do not go together"),
        ("torque_Nm", "T1.real", "character 1: found 'T1.real'"),
        ("torque_Nm", "(lambda: kg)()", "character 1: found"),
        ("torque_Nm", "__import__('os').system('x')", "character 1: found"),
        ("torque_Nm", "kg" + " + 1" * 100, "expected at most 300"),
    ],
)
def test_what_is_refused_says_where(channel: str, text: str, words: str):
    """Kilograms are no torque; nothing of the text is executed."""
    with pytest.raises(InputError, match=words) as refused:
        _made(channel, text)
    assert str(refused.value).startswith(f"--column: {channel} = ")


def test_what_numbers_alone_make_is_said():
    """Whether kilograms times numbers are newton metres cannot be checked: said, not silent."""
    made = parse_column_expression(
        "kg * 9.80665 * 0.344", channel="torque_Nm", columns=COLUMNS, where="--column"
    )
    assert "made of kg by numbers without units" in made.remark
    for channel, text in (
        ("torque_Nm", "kg * 9.80665 [m/s2] * 0.344 [m]"),
        ("torque_Nm", "T1 * 3.4"),
        ("current_A", "phase_A * 2"),
    ):
        made = parse_column_expression(text, channel=channel, columns=COLUMNS, where="--column")
        assert made.remark == ""


def test_what_is_no_finite_number_is_no_value():
    """A division by what stands in the column, which may be nothing."""
    made = parse_column_expression("1 / T1", channel="torque_Nm", columns=COLUMNS, where="c")
    converted = made.convert(np.array([2.0, 0.0, np.nan]))
    assert converted[0] == 0.5
    assert np.isnan(converted[1:]).all()
