"""The layouts that are shipped are found from traffic that is encoded with them."""

from functools import cache

import numpy as np
import pytest

from logger.joint.bench.bench import Bench
from logger.joint.bench.layout import Frame
from logger.joint.bench.scaling import scaling_of
from logger.layout_finder.find_layout import propose_layout
from logger.layout_finder.proposal import (
    Meaning,
    Proposal,
    ProposedKind,
    ProposedValue,
    Undecided,
)
from logger.layout_finder.traffic import TypedNumbers
from tests.logger.layout_finder.moved_joint import MARKS
from tests.logger.layout_finder.shipped_joints import (
    CIA402,
    HARVEST,
    NM_PER_A,
    shipped_bench,
    shipped_traffic,
)

pytestmark = pytest.mark.slow

TYPED = TypedNumbers(ambient_degC=23.0, supply_V=48.0, mass_kg=2.0, arm_m=0.4)
MOVED = {
    "position_rad": Meaning.POSITION,
    "speed_rad_s": Meaning.SPEED,
    "current_A": Meaning.LOAD,
    "torque_Nm": Meaning.LOAD,
    "position_setpoint_rad": Meaning.COMMANDED_POSITION,
    "torque_setpoint_Nm": Meaning.COMMANDED_LOAD,
}
SLOW = {
    "voltage_V": Meaning.VOLTAGE,
    "temperature_drive_degC": Meaning.TEMPERATURE,
    "temperature_housing_degC": Meaning.TEMPERATURE,
}
HARVEST_VALUES = [
    *(("motion", "position_rad"), ("motion", "speed_rad_s"), ("motion", "current_A")),
    *(("set-points", "position_setpoint_rad"), ("set-points", "torque_setpoint_Nm")),
    *(("health", "voltage_V"), ("health", "temperature_drive_degC")),
    ("health", "temperature_housing_degC"),
]
CIA402_VALUES = [
    *(("tpdo1", "position_rad"), ("tpdo1", "torque_Nm"), ("tpdo2", "speed_rad_s")),
    *(("tpdo2", "voltage_V"), ("rpdo1", "position_setpoint_rad")),
    ("rpdo1", "torque_setpoint_Nm"),
]


@cache
def _found(text: str) -> tuple[Bench, Proposal]:
    bench = shipped_bench(text)
    return bench, propose_layout(shipped_traffic(bench), MARKS, TYPED)


def _kind_of(bench: Bench, proposal: Proposal, frame: Frame) -> tuple[int, ProposedKind]:
    """Return the proposed kind of a frame of the layout, by identifier, length and selector."""
    match = bench.frame_matches_of(bench.joints[0])[_frames(bench).index(frame)]
    required = frame.required_bits
    found = [
        (number, kind)
        for number, kind in enumerate(proposal.kinds)
        if (kind.identifier, kind.length) == (match.identifier, frame.length)
        and (
            kind.multiplexer is None
            or kind.multiplexer_value
            == sum(required[place] << at for at, place in enumerate(kind.multiplexer.bit_places))
        )
    ]
    assert len(found) == 1, frame.name
    return found[0]


def _frames(bench: Bench) -> list[Frame]:
    return list(bench.layout_of(bench.joints[0]).frame)


def _value_of(
    text: str, frame_name: str, channel: str
) -> tuple[ProposedValue, set[Undecided], float, float]:
    """Return what stands where a channel lies, what is undecided of it, true scale and offset."""
    bench, proposal = _found(text)
    frame = next(one for one in _frames(bench) if one.name == frame_name)
    number, kind = _kind_of(bench, proposal, frame)
    true = next(one for one in frame.value if one.channel == channel)
    places = set(true.bit_places)
    (value,) = [one for one in kind.values if places & set(one.field.bit_places)]
    assert set(value.assumed_field.bit_places) <= places
    undecided = {
        item.reason
        for item in proposal.undecided
        if item.kind == number and item.field == value.field
    }
    scaling = scaling_of(true, bench.joints[0], where="test")
    return value, undecided, scaling.factor, scaling.offset


@pytest.mark.parametrize(
    ("text", "frame", "channel"),
    [
        *((HARVEST, *one) for one in HARVEST_VALUES),
        *((CIA402, *one) for one in CIA402_VALUES),
    ],
    ids=lambda one: one if "\n" not in one else ("cia402" if "cia402" in one else "harvest"),
)
def test_a_value_is_found_or_said_to_be_undecided(text: str, frame: str, channel: str):
    """Place, meaning and scale of each; of a temperature's scale that it is listed, not decided."""
    value, undecided, scale, offset = _value_of(text, frame, channel)
    assert value.meaning is {**MOVED, **SLOW}[channel]
    assert value.probability.place > 0.9
    assert value.scale is not None
    if value.meaning is Meaning.TEMPERATURE:
        listed = [(value.scale, value.offset), *((one.scale, one.offset) for one in value.rivals)]
        assert (scale, offset) in listed
        assert {Undecided.TEMPERATURE_SCALE, Undecided.WHICH_TEMPERATURE} <= undecided
        return
    if channel == "current_A":
        scale *= NM_PER_A
    tolerance = 0.03 if value.meaning in {Meaning.LOAD, Meaning.COMMANDED_LOAD} else 0.015
    assert value.scale == pytest.approx(scale, rel=tolerance)
    wanted = {
        Meaning.POSITION: {Undecided.ZERO_OF_POSITION, Undecided.GEAR_RATIO},
        Meaning.COMMANDED_POSITION: {Undecided.COMMANDED_OR_MEASURED},
        Meaning.SPEED: {Undecided.SIDE_OF_SPEED},
        Meaning.LOAD: {Undecided.CURRENT_OR_TORQUE},
        Meaning.COMMANDED_LOAD: {Undecided.CURRENT_OR_TORQUE},
        Meaning.VOLTAGE: {Undecided.UPPER_BITS_UNSEEN},
    }
    assert wanted[value.meaning] <= undecided


def test_the_motor_encoder_starts_again_after_its_counts():
    """20,000 counts in fifteen bits, nine times a turn of the output."""
    value, _, _, _ = _value_of(HARVEST, "motion", "position_rad")
    assert value.modulus == 20000
    turns = 2.0 * np.pi / (value.modulus * (value.scale or 0.0))
    assert turns == pytest.approx(9.0, rel=0.002)


def test_codes_that_stood_still_are_said_to_be_unknown():
    """A fault code of zero and a statusword that never changed are of no value."""
    for text, name in ((HARVEST, "health"), (CIA402, "tpdo1")):
        bench, proposal = _found(text)
        number, _ = _kind_of(bench, proposal, next(f for f in _frames(bench) if f.name == name))
        assert number in {
            item.kind for item in proposal.undecided if item.reason is Undecided.STILL_BITS
        }
