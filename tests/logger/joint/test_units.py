"""Units as people write them."""

import pytest

from logger.joint.quantities import QUANTITIES
from logger.joint.units import channel_unit, is_same_kind, parse_unit, unit_in_name, unit_registry


@pytest.mark.parametrize("text", ["N.m", "N·m", "Nm", "N*m", "kg*m2/s2", "kg.m^2/s**2", "J"])
def test_spellings_of_one_unit(text: str):
    """Of a torque."""
    assert unit_registry().Quantity(1.0, parse_unit(text)).to("N*m").magnitude == 1.0


@pytest.mark.parametrize("text", ["", "smoots", "1/s", "os.system", "2", "m" * 50, "m/"])
def test_what_is_no_unit(text: str):
    """Never an exception of the library's own."""
    with pytest.raises(ValueError):  # noqa: PT011 - the text itself is all that it says
        parse_unit(text)


@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=lambda one: one.name)
def test_what_a_layout_may_give_is_what_the_library_says(quantity):
    """The table of quantities and the library agree on every factor."""
    channel = f"{quantity.name}_probe_{quantity.unit}"
    for written, factor in quantity.input_units.items():
        if written in {"code", "1"} or (written == "g" and quantity.name == "acceleration"):
            continue
        unit = parse_unit(written)
        assert is_same_kind(unit, channel_unit(channel))
        made = unit_registry().Quantity(10.0, unit).to(channel_unit(channel)).magnitude
        assert made == pytest.approx(10.0 * factor.factor + factor.offset, rel=1e-12)


@pytest.mark.parametrize(
    ("column", "channel", "unit"),
    [
        ("kg", "torque_Nm", "kg"),
        ("load_kg", "torque_Nm", "kg"),
        ("Load (kg)", "torque_Nm", "kg"),
        ("T1 [°C]", "temperature_oil_degC", "°C"),
        ("motor current A", "current_A", "A"),
        ("speed_rad_s", "speed_rad_s", "rad_s"),
        ("T1", "temperature_oil_degC", ""),
        ("torque (left)", "torque_Nm", ""),
        ("DATA", "current_A", ""),
    ],
)
def test_the_unit_in_a_columns_name(column: str, channel: str, unit: str):
    """At its end; a name that says none is taken at the user's word."""
    assert unit_in_name(column, channel) == unit
