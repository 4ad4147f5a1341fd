"""A proposal for one small joint: two identifiers, one of them with two kinds of frames."""

from dataclasses import replace

import numpy as np
import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.checksum import ChecksumFamily
from logger.layout_finder.find_layout import propose_layout
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.proposal import Meaning, Undecided
from logger.layout_finder.traffic import Traffic, TypedNumbers
from tests.logger.layout_finder.moved_joint import (
    COUNTER,
    LOAD,
    MARKS,
    POSITION,
    SPEED,
    VOLTAGE,
    joint_traffic,
    move_joint,
    write_frames,
)

TYPED = TypedNumbers(ambient_degC=23.0, supply_V=48.0, mass_kg=2.0, arm_m=0.4)


@pytest.fixture(scope="module")
def proposal():
    """Return what is proposed for the joint, all four steps done as told."""
    return propose_layout(joint_traffic(), MARKS, TYPED)


def _value(proposal, meaning: Meaning):
    found = [
        (kind, value)
        for kind in proposal.kinds
        for value in kind.values
        if value.meaning is meaning
    ]
    assert len(found) == 1, [value.meaning for kind in proposal.kinds for value in kind.values]
    return found[0]


def test_kinds_counter_and_checksum(proposal):
    """Three kinds; the counter and the sum of the fast one."""
    fast, *slow = proposal.kinds
    assert [kind.multiplexer_value for kind in slow] == [0x10, 0x11]
    assert fast.checksum is not None
    assert (fast.checksum.family, fast.checksum.byte) == (ChecksumFamily.SUM, 6)
    assert [counter.field for counter in fast.counters] == [COUNTER]
    assert fast.period_s == pytest.approx(0.01)


def test_what_moves_with_the_joint(proposal):
    """Position, speed and load: place, sign, scale, and sure of all three."""
    for meaning, field, form, scale in (
        (Meaning.POSITION, POSITION, NumberForm.UNSIGNED, 1 / 4000.0),
        (Meaning.SPEED, SPEED, NumberForm.TWOS_COMPLEMENT, 1 / 300.0),
        (Meaning.LOAD, LOAD, NumberForm.TWOS_COMPLEMENT, 1 / 50.0),
    ):
        _, value = _value(proposal, meaning)
        # Upper bits that only repeat the sign, or never changed, are not seen as its own.
        assert value.field.little_columns <= field.little_columns
        assert value.scale == pytest.approx(scale, rel=0.015)
        assert min(value.probability.place, value.probability.meaning) > 0.9
        assert value.probability.scale > 0.8
        if meaning is not Meaning.POSITION:
            assert (value.form, value.field) == (form, field)


def test_what_is_slow(proposal):
    """Half degrees, and tenths of a volt whose high byte never changed."""
    _, temperature = _value(proposal, Meaning.TEMPERATURE)
    pairs = [(temperature.scale, temperature.offset)]
    pairs += [(rival.scale, rival.offset) for rival in temperature.rivals]
    assert (0.5, 0.0) in pairs
    _, voltage = _value(proposal, Meaning.VOLTAGE)
    assert voltage.scale == pytest.approx(0.1)
    assert voltage.assumed_field == VOLTAGE


def test_what_cannot_be_decided_is_listed(proposal):
    """Current or torque, the zero of the position, how far slow values reach."""
    reasons = {item.reason for item in proposal.undecided}
    assert {
        Undecided.CURRENT_OR_TORQUE,
        Undecided.ZERO_OF_POSITION,
        Undecided.UPPER_BITS_UNSEEN,
    } <= reasons
    assert Undecided.TURN_CONTRADICTS_LOAD not in reasons
    assert Undecided.OTHER_JOINT_MOVED not in reasons


def test_a_wrong_turn_lowers_every_scale_of_it():
    """A turn of 374 degrees: told, and no scale that hangs on it is sure."""
    proposal = propose_layout(joint_traffic(turn_deg=374.4), MARKS, TYPED)
    assert Undecided.TURN_CONTRADICTS_LOAD in {item.reason for item in proposal.undecided}
    for meaning in (Meaning.POSITION, Meaning.SPEED):
        assert _value(proposal, meaning)[1].probability.scale <= 0.6


def test_no_value_without_noise_is_called_measured_for_sure():
    """Perfectly still at rest: commanded stays a rival, and the scale is not surer than that."""
    proposal = propose_layout(joint_traffic(noise=0.0), MARKS, TYPED)
    _, position = _value(proposal, Meaning.POSITION)
    assert position.probability.meaning < 0.7
    assert position.probability.scale < 0.95
    assert Meaning.COMMANDED_POSITION in {rival.meaning for rival in position.rivals}


def test_two_joints_cannot_be_told_apart():
    """A second position that turns at other instants within the turn: no meaning is sure."""
    traffic = joint_traffic()
    time_s, angle = move_joint()
    late = np.interp(time_s - 0.9, time_s, angle) * 3000.0
    late = np.round(late + np.random.default_rng(7).normal(0, 1.0, len(late))).astype(int)
    other = write_frames({BitField(0, 16): (late + 500) & 0xFFFF}, len(late), 2)
    both = Traffic(
        time_s=np.concatenate([traffic.time_s, time_s]),
        identifier=np.concatenate([traffic.identifier, np.full(len(late), 0x130)]),
        extended=np.zeros(len(traffic.time_s) + len(late), dtype=bool),
        data=[*traffic.data, *(bytes(row) for row in other)],
    )
    proposal = propose_layout(both, MARKS, TYPED)
    assert Undecided.OTHER_JOINT_MOVED in {item.reason for item in proposal.undecided}
    assert all(value.probability.meaning <= 0.5 for kind in proposal.kinds for value in kind.values)


def test_bad_input_claims_nothing():
    """No mark, no frame, noise only, nothing that changes: said, never guessed."""
    traffic = joint_traffic()
    unmarked = propose_layout(traffic, replace(MARKS, rest=None, turn=None, load=None), TYPED)
    assert Undecided.NO_TURN in {item.reason for item in unmarked.undecided}
    named = {value.meaning for kind in unmarked.kinds for value in kind.values}
    assert not named & {Meaning.POSITION, Meaning.SPEED, Meaning.LOAD}
    noise = np.random.default_rng(8).integers(0, 256, (len(traffic.time_s), 8), dtype=np.uint8)
    for data in (noise, np.zeros_like(noise)):
        changed = replace(traffic, data=[bytes(row) for row in data])
        proposed = propose_layout(changed, MARKS, TYPED)
        meanings = {value.meaning for kind in proposed.kinds for value in kind.values}
        assert meanings <= {Meaning.UNKNOWN, Meaning.FLAG}
        assert Undecided.NOTHING_MOVED_AS_MARKED in {item.reason for item in proposed.undecided}
    empty = Traffic(np.zeros(0), np.zeros(0, int), np.zeros(0, bool), [])
    assert propose_layout(empty, MARKS, TYPED).kinds == ()


def test_no_weight_gives_the_load_no_scale():
    """A weight of nothing: the load is named, its scale is not."""
    proposal = propose_layout(joint_traffic(), MARKS, replace(TYPED, mass_kg=0.0))
    _, load = _value(proposal, Meaning.LOAD)
    assert (load.scale, load.probability.scale) == (None, 0.0)
    assert Undecided.NO_WEIGHT in {item.reason for item in proposal.undecided}


def test_bits_right_below_that_nothing_explains_lower_the_certainty():
    """Three bits of noise below the position: where it begins, and so its scale, is not sure."""
    traffic = joint_traffic()
    data = [bytearray(frame) for frame in traffic.data]
    random = np.random.default_rng(9)
    _, angle = move_joint()
    position = np.round(angle * 500.0 + 100.0).astype(int)
    for row, frame in enumerate(data[: len(angle)]):
        raw = (int(position[row]) << 3 | int(random.integers(8))) & 0xFFFF
        frame[0:2] = raw.to_bytes(2, "little")
        frame[6] = (sum(frame[:6]) + 0x31) & 0xFF
    noisy = replace(traffic, data=[bytes(frame) for frame in data])
    _, value = _value(propose_layout(noisy, MARKS, TYPED), Meaning.POSITION)
    assert value.field.little_columns <= POSITION.little_columns
    assert value.field.first_column == 0 or value.probability.place <= 0.6


def test_a_noisy_lowest_bit_of_a_temperature_is_its_own():
    """A bit of mere noise right below it is no flag."""
    traffic = joint_traffic()
    random = np.random.default_rng(10)
    data = [
        frame if len(frame) == 7 else frame[:3] + bytes([frame[3] & 0xFE | random.integers(2)])
        for frame in traffic.data
    ]
    _, value = _value(
        propose_layout(replace(traffic, data=data), MARKS, TYPED), Meaning.TEMPERATURE
    )
    assert value.field.first_column == 24


def test_a_count_about_zero_keeps_its_sign():
    """It starts again at 36000 of sixteen bits: read without the sign it would jump."""
    time_s, angle = move_joint()
    noise = np.random.default_rng(8).normal(0, 2.0, len(angle))
    way = np.round(angle * 9 * 36000 / (2 * np.pi) + noise).astype(int)
    payload = write_frames({POSITION: ((way + 18000) % 36000 - 18000) & 0xFFFF}, len(way), 2)
    traffic = Traffic(
        time_s=time_s,
        identifier=np.full(len(way), 0x120),
        extended=np.zeros(len(way), dtype=bool),
        data=[bytes(row) for row in payload],
    )
    (value,) = propose_layout(traffic, MARKS, TYPED).kinds[0].values
    assert (value.meaning, value.form) == (Meaning.POSITION, NumberForm.TWOS_COMPLEMENT)
    assert value.modulus == 36000
    assert value.scale == pytest.approx(2 * np.pi / (9 * 36000), rel=0.005)
