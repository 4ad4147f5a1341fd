"""What slow signals are taken for, by themselves and with the others of the drive."""

import numpy as np

from logger.layout_finder.bits import BitField, join_pieces, read_field
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.proposal import Meaning, ProposedValue
from logger.layout_finder.signals import Signal
from logger.layout_finder.slow_customs import NO_CUSTOMS, Customs, customs_of
from logger.layout_finder.slow_proposals import propose_slow
from logger.layout_finder.traffic import TypedNumbers
from tests.logger.layout_finder.moved_joint import MARKS, write_frames

TIME_S = np.arange(0.0, 75.0, 0.02)
WARMER = 6.0 * (1.0 - np.exp(-np.maximum(0.0, TIME_S - 48.0) / 15.0))
TYPED = TypedNumbers(ambient_degC=23.0, supply_V=48.0, mass_kg=2.0, arm_m=0.4)


def _proposed(
    raw: np.ndarray, place: BitField, seen: BitField, customs: Customs = NO_CUSTOMS
) -> ProposedValue:
    """Return what a raw value in frames of 8 bytes is, of which some bits were seen to change."""
    payload = write_frames({place: raw}, len(raw), 8)
    value = read_field(payload, seen).astype(float)
    signal = Signal(0, seen, NumberForm.UNSIGNED, TIME_S, value, 60.0, 60.0)
    return propose_slow(signal, payload, frozenset(), MARKS, TYPED, heating=None, customs=customs)


def test_what_hardly_warms_is_named_by_what_does():
    """Two bits that move, of tenths above -40 degC: beside a winding that is told so."""
    noise = np.random.default_rng(3)
    winding = np.round(10.0 * (66.0 + WARMER) + noise.normal(0, 0.3, len(TIME_S))).astype(int)
    first = _proposed(winding, BitField(8, 12), BitField(8, 8))
    assert (first.meaning, first.scale, first.offset) == (Meaning.TEMPERATURE, 0.1, -40.0)
    assert first.evidence.warms
    bearing = 660 + (TIME_S > 60.0) + (noise.random(len(TIME_S)) < 0.01)
    alone = _proposed(bearing, BitField(24, 12), BitField(24, 2))
    known = _proposed(bearing, BitField(24, 12), BitField(24, 2), customs_of([first]))
    assert known.probability.meaning > alone.probability.meaning
    assert known.probability.scale > alone.probability.scale
    assert (known.meaning, known.scale, known.offset) == (Meaning.TEMPERATURE, 0.1, -40.0)
    assert known.assumed_field.length >= 12


def test_upper_bits_that_lie_apart_are_listed():
    """Tenths above -40 degC in twelve bits, the upper four elsewhere: a rival, with its place."""
    noise = np.random.default_rng(4)
    raw = np.round(10.0 * (64.5 + WARMER) + noise.normal(0, 0.3, len(TIME_S))).astype(int)
    place = join_pieces(BitField(8, 8), BitField(44, 4))
    found = _proposed(raw, place, BitField(8, 7))
    assert found.meaning is Meaning.TEMPERATURE
    (apart,) = (
        one for one in found.rivals if (one.scale, one.offset) == (0.1, -40.0) and one.field
    )
    assert apart.field == place
    assert 0.0 < apart.probability < found.probability.scale
