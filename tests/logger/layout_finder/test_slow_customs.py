"""Temperatures of one drive are told alike, and its supply once."""

import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.proposal import Evidence, Meaning, Probabilities, ProposedValue, Rival
from logger.layout_finder.slow_customs import NO_CUSTOMS, customs_of
from logger.layout_finder.slow_values import rarity_of


def _value(meaning: Meaning, way: tuple[float, float], sure: float, *rivals: Rival, warms=True):
    return ProposedValue(
        field=BitField(0, 6), assumed_field=BitField(0, 8), form=NumberForm.UNSIGNED,
        meaning=meaning, scale=way[0], offset=way[1], modulus=None,
        probability=Probabilities(0.9, sure, 0.8), evidence=Evidence(1.0, 1.0, warms=warms),
        rivals=rivals,
    )  # fmt: skip


def test_a_way_that_another_temperature_has_is_less_strange():
    """Or one that it may have, by how likely; the others are stranger, and stay possible."""
    rival = Rival(Meaning.TEMPERATURE, 0.5, -50.0, 0.1)
    customs = customs_of([_value(Meaning.TEMPERATURE, (0.1, -40.0), 0.95, rival)])
    likely, possible, other = (
        customs.strangeness(Meaning.TEMPERATURE, way)
        for way in ((0.1, -40.0), (0.5, -50.0), (1.0, 0.0))
    )
    assert likely < possible < 0.0 < other < 2.0
    assert likely + rarity_of((0.1, -40.0)) < other + rarity_of((1.0, 0.0))


def test_what_does_not_warm_with_the_joint_tells_nothing():
    """Nor do values of another meaning, and nothing is strange where there is no other."""
    doubtful = [
        _value(Meaning.TEMPERATURE, (0.1, -40.0), 0.9, warms=False),
        _value(Meaning.LOAD, (0.1, 0.0), 0.9),
    ]
    for customs in (customs_of(doubtful), NO_CUSTOMS):
        assert customs.strangeness(Meaning.TEMPERATURE, (1.0, 0.0)) == 0.0
        assert customs.strangeness(Meaning.VOLTAGE, (0.1, 0.0)) == 0.0


@pytest.mark.parametrize(("sure", "is_strange"), [(0.94, True), (0.6, False)])
def test_a_second_supply_voltage_is_strange(sure: float, is_strange: bool):  # noqa: FBT001
    """Beside one that is sure, in the same frames: another joint has one as well."""
    voltage = _value(Meaning.VOLTAGE, (0.1, 0.0), sure)
    assert customs_of([voltage]) == NO_CUSTOMS
    customs = customs_of([voltage], [voltage])
    assert (customs.strangeness(Meaning.VOLTAGE, (0.1, 0.0)) > 0.0) is is_strange
