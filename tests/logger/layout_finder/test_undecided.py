"""What the steps cannot decide is listed for each value that it is true of, and for no other."""

import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.find_layout import propose_layout
from logger.layout_finder.proposal import Meaning, Undecided
from logger.layout_finder.traffic import TypedNumbers
from tests.logger.layout_finder.moved_joint import (
    LOAD,
    MARKS,
    POSITION,
    SPEED,
    VOLTAGE,
    joint_traffic,
)

TYPED = TypedNumbers(ambient_degC=23.0, supply_V=48.0, mass_kg=2.0, arm_m=0.4)


@pytest.fixture(scope="module")
def proposal():
    """Return what is proposed for the joint, all four steps done as told."""
    return propose_layout(joint_traffic(), MARKS, TYPED)


def _fields_of(proposal, reason: Undecided) -> set[tuple[int, frozenset[int]]]:
    """Return identifier and bits of the values of which a reason is told."""
    return {
        (proposal.kinds[item.kind].identifier, item.field.little_columns)
        for item in proposal.undecided
        if item.reason is reason and item.field is not None
    }


def test_reasons_belong_to_values(proposal):
    """Zero and gear of the position, side of the speed, current or torque of the load."""
    for reason, field in (
        (Undecided.ZERO_OF_POSITION, POSITION),
        (Undecided.GEAR_RATIO, POSITION),
        (Undecided.SIDE_OF_SPEED, SPEED),
        (Undecided.CURRENT_OR_TORQUE, LOAD),
    ):
        ((identifier, columns),) = _fields_of(proposal, reason)
        assert identifier == 0x120
        assert columns <= field.little_columns


def test_one_temperature_is_somewhere_too(proposal):
    """Where it is measured and what its scale is are told of the only one."""
    for reason in (Undecided.WHICH_TEMPERATURE, Undecided.TEMPERATURE_SCALE):
        ((identifier, columns),) = _fields_of(proposal, reason)
        assert identifier == 0x121
        assert columns <= BitField(24, 8).little_columns


def test_how_far_a_value_reaches_is_open_where_bits_above_stood_still(proposal):
    """The voltage's high byte; not the speed, whose sign would have moved bits of its own."""
    unseen = _fields_of(proposal, Undecided.UPPER_BITS_UNSEEN)
    assert any(columns <= VOLTAGE.little_columns for of, columns in unseen if of == 0x121)
    assert not any(columns & SPEED.little_columns for of, columns in unseen if of == 0x120)


def test_bits_that_never_changed_and_are_of_nothing(proposal):
    """The constant word of the second slow kind; all bits of the fast kind are of something."""
    still = {item.kind for item in proposal.undecided if item.reason is Undecided.STILL_BITS}
    names = {proposal.kinds[number].identifier for number in still}
    assert names == {0x121}
    assert all(item.field is None for item in proposal.undecided if item.kind in still
               and item.reason is Undecided.STILL_BITS)  # fmt: skip


def test_a_voltage_has_no_side(proposal):
    """Nothing of a motor is said of what does not move."""
    voltages = {
        (kind.identifier, value.field.little_columns)
        for kind in proposal.kinds
        for value in kind.values
        if value.meaning is Meaning.VOLTAGE
    }
    assert voltages
    for reason in (Undecided.SIDE_OF_SPEED, Undecided.GEAR_RATIO, Undecided.WHICH_TEMPERATURE):
        assert not voltages & _fields_of(proposal, reason)
