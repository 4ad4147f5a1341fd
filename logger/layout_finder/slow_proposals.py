"""Proposals for what does not move with the joint: temperature, voltage, flag, unknown. Pure."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.layout_finder.bits import BitField, read_field
from logger.layout_finder.certainty import (
    MOST_TEMPERATURE_SCALE,
    MOST_VOLTAGE_SCALE,
    place_certainty,
    scale_choice_certainty,
)
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.proposal import (
    Evidence,
    Meaning,
    Probabilities,
    ProposedValue,
    Rival,
)
from logger.layout_finder.signals import Signal, ends_naturally, extensions_of
from logger.layout_finder.slow_customs import NO_CUSTOMS, Customs
from logger.layout_finder.slow_values import (
    MAX_BITS,
    TEMPERATURE_SCALES,
    Heating,
    ScalePair,
    SlowKind,
    classify_slow,
    match_temperature,
    match_voltage,
    rise_of,
    rise_strangeness,
)
from logger.layout_finder.still_pieces import with_still_pieces
from logger.layout_finder.traffic import Bytes, Marks, TypedNumbers, frames_in

__all__ = ["propose_slow"]

_CUT_BYTE: Final = 1.0
"""Strangeness of a value that reaches neither the end of its byte nor another field."""
_LEFT_OVER: Final = 1.5
"""The same of constant bits above that are not zero and not its own: unused bits are zero."""
_IN_PIECES: Final = 3.0
"""The same of upper bits that lie elsewhere and never changed."""
_LONE_BIT: Final = 1.5
"""The same of a number of which one bit moved: most such are flags."""
_VOLTAGE_WARMS: Final = 4.0
"""The same of a voltage that rises as the joint warms."""
_FLAG: Final = 3.5
_UNKNOWN: Final = 5.0
_UNKNOWN_WARMS: Final = 9.0
"""The same of something else: a flag, a value that does not warm, one that does."""
_UNSCALED: Final = 0.2
_MOST_SURE: Final = 0.95
"""Flags side by side may read as a temperature: no reading of what moves slowly is surer."""


@dataclass(frozen=True)
class _Reading:
    """One way of reading a signal: as what, with which bits and scale."""

    meaning: Meaning
    field: BitField
    pair: ScalePair
    strangeness: float


def propose_slow(
    signal: Signal,
    payload: Bytes,
    taken: frozenset[int],
    marks: Marks,
    typed: TypedNumbers,
    *,
    heating: Heating | None,
    customs: Customs = NO_CUSTOMS,
) -> ProposedValue:
    """Return what a signal is that does not move with the joint; unknown where nothing fits.

    Every reading that gives about the room's temperature or the typed voltage is weighed: how near
    it is, how usual its scale, whether it warms as a joint does.

    Parameters
    ----------
    signal, payload
        The signal, and the frames of its kind.
    taken
        Columns of the kind, in the order "little", that are other fields' or known.
    marks, typed
        As corrected, and as typed.
    heating
        See `classify_slow`.
    customs
        What the other slow values of the drive tell.
    """
    slow = None
    if signal.field.length <= MAX_BITS or signal.form is NumberForm.FLOAT:
        slow = classify_slow(signal.time_s, _plain(signal, payload), marks, heating)
    if slow is SlowKind.RUNS and signal.field.length > 1:
        return _named(signal, Meaning.UPTIME, 0.88)
    no_name = Meaning.FLAG if signal.field.length == 1 else Meaning.UNKNOWN
    if slow is None or signal.form is NumberForm.SIGN_MAGNITUDE:
        return _named(signal, no_name, 0.5 if no_name is Meaning.FLAG else 0.0)
    readings = _slow_readings(signal, payload, taken, marks, typed, slow=slow, customs=customs)
    if not readings:
        if slow is SlowKind.WARMS and signal.field.length > 1:
            return _named(signal, Meaning.TEMPERATURE, _UNSCALED, matching_scales=0)
        return _named(signal, no_name, 0.5 if no_name is Meaning.FLAG else 0.0)
    first, *others = readings
    nothing = _UNKNOWN_WARMS if slow is SlowKind.WARMS else _UNKNOWN
    if no_name is Meaning.FLAG:
        nothing = _FLAG
    weights = {one: math.exp(-one.strangeness) for one in readings}
    alike = [one for one in readings if one.meaning is first.meaning]
    whole = sum(weights.values()) + math.exp(-nothing)
    if first.strangeness > nothing:
        return _named(signal, no_name, 0.5 if no_name is Meaning.FLAG else 0.0)
    sure_of_scales = scale_choice_certainty(
        [one.strangeness for one in alike],
        MOST_TEMPERATURE_SCALE if first.meaning is Meaning.TEMPERATURE else MOST_VOLTAGE_SCALE,
    )
    return _named(
        signal,
        first.meaning,
        min(_MOST_SURE, sum(weights[one] for one in alike) / whole),
        pair=first.pair,
        scale_sure=sure_of_scales[0],
        assumed=first.field,
        rivals=tuple(
            Rival(one.meaning, one.pair.scale, one.pair.offset, weights[one] / whole, one.field)
            for one in others
        ),
        matching_scales=len(alike),
        warms=slow is SlowKind.WARMS,
    )


def _plain(signal: Signal, payload: Bytes) -> Floats:
    """Return the value; of whole numbers without a sign, since where that lies is not seen."""
    if signal.form is NumberForm.FLOAT:
        return signal.value
    return read_field(payload, signal.field).astype(np.float64)


def _slow_readings(
    signal: Signal,
    payload: Bytes,
    taken: frozenset[int],
    marks: Marks,
    typed: TypedNumbers,
    *,
    slow: SlowKind,
    customs: Customs,
) -> list[_Reading]:
    """Return the readings of a signal as a temperature or a voltage, the likeliest first."""
    rows = frames_in(signal.time_s, marks.rest)
    if rows.stop == rows.start:
        rows = slice(0, max(1, len(payload) // 20))
    is_float = signal.form is NumberForm.FLOAT
    value = _plain(signal, payload)
    rise = rise_of(signal.time_s, value, marks)
    found: dict[tuple[Meaning, float, float], _Reading] = {}
    fields = (signal.field,) if is_float else extensions_of(payload, signal.field, taken)
    widest = read_field(payload[:1], fields[-1])[0]
    if not is_float and signal.field.length > 1:
        fields = (*fields, *with_still_pieces(payload, fields, taken))
    for field in fields:
        level = value if field is signal.field else read_field(payload, field).astype(np.float64)
        resting = float(np.median(level[rows]))
        strange = 0.0 if is_float or ends_naturally(field, taken) else _CUT_BYTE
        strange += _IN_PIECES if field.upper is not None else 0.0
        strange += _LEFT_OVER if widest >> field.length else 0.0
        strange += _LONE_BIT if signal.field.length == 1 else 0.0
        readings: list[_Reading] = []
        if typed.ambient_degC is not None:
            readings += [
                _Reading(
                    *(Meaning.TEMPERATURE, field, pair),
                    pair.strangeness + strange + rise_strangeness(rise, pair.scale, slow),
                )
                for pair in match_temperature(resting, typed.ambient_degC)
            ]
        if typed.supply_V:
            warms = _VOLTAGE_WARMS if slow is SlowKind.WARMS else 0.0
            readings += [
                _Reading(Meaning.VOLTAGE, field, pair, pair.strangeness + strange + warms)
                for pair in match_voltage(resting, float(np.ptp(level)), typed.supply_V)
            ]
        for one in readings:
            way = (one.pair.scale, one.pair.offset)
            if is_float and way != (1.0, 0.0):
                continue
            if field.upper is not signal.field.upper and not _is_usual(one):
                continue
            key = (one.meaning, *way)
            if key not in found:
                found[key] = one
            elif one.strangeness < found[key].strangeness:
                # Bytes of zeros above a whole value are as well another's: a code, say.
                shorter = found[key].field
                alike = one.pair.reading == found[key].pair.reading
                whole = alike and ends_naturally(shorter, taken)
                found[key] = replace(one, field=shorter) if whole else one
    weighed = [
        replace(one, strangeness=one.strangeness + customs.strangeness(meaning, (scale, offset)))
        for (meaning, scale, offset), one in found.items()
    ]
    return sorted(weighed, key=lambda one: one.strangeness)


def _is_usual(reading: _Reading) -> bool:
    """Return whether a reading may be of two pieces of which one stood still.

    So many pieces may be found that only usual temperatures say something.
    """
    way = (reading.pair.scale, reading.pair.offset)
    return reading.meaning is Meaning.TEMPERATURE and way in TEMPERATURE_SCALES


def _named(
    signal: Signal,
    meaning: Meaning,
    meaning_sure: float,
    *,
    pair: ScalePair | None = None,
    scale_sure: float = 0.0,
    assumed: BitField | None = None,
    rivals: tuple[Rival, ...] = (),
    matching_scales: int | None = None,
    warms: bool = False,
) -> ProposedValue:
    several = len({byte for byte, _ in signal.field.bit_places}) > 1
    place = place_certainty(signal.margin_bits, signal.order_margin_bits, several_bytes=several)
    return ProposedValue(
        field=signal.field,
        assumed_field=assumed or signal.field,
        form=NumberForm.UNSIGNED if pair and signal.form is not NumberForm.FLOAT else signal.form,
        meaning=meaning,
        scale=pair.scale if pair else None,
        offset=pair.offset if pair else 0.0,
        modulus=None,
        probability=Probabilities(place, meaning_sure, scale_sure),
        evidence=Evidence(
            signal.margin_bits,
            signal.order_margin_bits,
            matching_scales=matching_scales,
            warms=warms,
        ),
        rivals=rivals,
    )
