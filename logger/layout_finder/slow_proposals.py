"""Proposals for what does not move with the joint: temperature, voltage, flag, unknown. Pure."""

from dataclasses import replace
from typing import Final

import numpy as np

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
from logger.layout_finder.signals import Signal, extensions_of
from logger.layout_finder.slow_values import (
    MAX_BITS,
    Heating,
    ScalePair,
    SlowKind,
    classify_slow,
    match_temperature,
    match_voltage,
)
from logger.layout_finder.traffic import Bytes, Marks, TypedNumbers, frames_in

__all__ = ["propose_slow"]

_CUT_BYTE: Final = 1.0
"""Strangeness of a value that does not reach the end of its byte."""


def propose_slow(
    signal: Signal,
    payload: Bytes,
    taken: frozenset[int],
    marks: Marks,
    typed: TypedNumbers,
    *,
    heating: Heating | None,
) -> ProposedValue:
    """Return what a signal is that does not move with the joint; unknown where nothing fits.

    `payload` are the frames of its kind, `taken` the columns, in the order "little", that are of
    other fields: bits above that never changed may belong to it, and its size hangs on them.
    """
    if signal.field.length == 1:
        return _named(signal, Meaning.FLAG, 0.5)
    slow = None
    if signal.field.length <= MAX_BITS:
        slow = classify_slow(signal.time_s, signal.value, marks, heating)
    if slow is SlowKind.RUNS:
        return _named(signal, Meaning.UPTIME, 0.88)
    if slow is None or signal.form is NumberForm.SIGN_MAGNITUDE:
        return _named(signal, Meaning.UNKNOWN, 0.0)
    meaning = Meaning.TEMPERATURE if slow is SlowKind.WARMS else Meaning.VOLTAGE
    matches = _matches(signal, payload, taken, marks, typed, meaning=meaning)
    if not matches:
        if meaning is Meaning.TEMPERATURE:
            return _named(signal, meaning, 0.45, matching_scales=0)
        return _named(signal, Meaning.UNKNOWN, 0.0)
    (assumed, pair), *others = matches
    most = MOST_TEMPERATURE_SCALE if meaning is Meaning.TEMPERATURE else MOST_VOLTAGE_SCALE
    sure, *sure_of_others = scale_choice_certainty([one.strangeness for _, one in matches], most)
    rivals = tuple(
        Rival(meaning, one.scale, one.offset, chance)
        for (_, one), chance in zip(others, sure_of_others, strict=True)
    )
    return _named(
        signal,
        meaning,
        0.95 if meaning is Meaning.TEMPERATURE else 0.82,
        pair=pair,
        scale_sure=sure,
        assumed=assumed,
        rivals=rivals,
        matching_scales=len(matches),
    )


def _matches(
    signal: Signal,
    payload: Bytes,
    taken: frozenset[int],
    marks: Marks,
    typed: TypedNumbers,
    *,
    meaning: Meaning,
) -> list[tuple[BitField, ScalePair]]:
    """Return usual scales that fit, with the bits that each needs, the likeliest first."""
    rows = frames_in(signal.time_s, marks.rest)
    if rows.stop == rows.start:
        rows = slice(0, max(1, len(payload) // 20))
    found: dict[tuple[float, float], tuple[BitField, ScalePair]] = {}
    fields: tuple[BitField, ...] = (signal.field,)
    if signal.form is NumberForm.UNSIGNED:
        fields = extensions_of(payload, signal.field, taken)
    for field in fields:
        resting = float(np.median(signal.value[rows]))
        if field is not signal.field:
            resting = float(np.median(read_field(payload[rows], field)))
        pairs: tuple[ScalePair, ...] = ()
        if meaning is Meaning.TEMPERATURE and typed.ambient_degC is not None:
            pairs = match_temperature(resting, typed.ambient_degC)
        elif meaning is Meaning.VOLTAGE and typed.supply_V:
            pairs = match_voltage(resting, float(np.ptp(signal.value)), typed.supply_V)
        # That constant bits above are another field's is the rarer case.
        ends_byte = field.bit_places[-1][1] == 7
        for pair in pairs:
            one = replace(pair, strangeness=pair.strangeness + (0.0 if ends_byte else _CUT_BYTE))
            key = (pair.scale, pair.offset)
            if key not in found or one.strangeness < found[key][1].strangeness:
                found[key] = (field, one)
    return sorted(found.values(), key=lambda match: match[1].strangeness)


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
) -> ProposedValue:
    several = len({byte for byte, _ in signal.field.bit_places}) > 1
    place = place_certainty(signal.margin_bits, signal.order_margin_bits, several_bytes=several)
    return ProposedValue(
        field=signal.field,
        assumed_field=assumed or signal.field,
        form=signal.form,
        meaning=meaning,
        scale=pair.scale if pair else None,
        offset=pair.offset if pair else 0.0,
        modulus=None,
        probability=Probabilities(place, meaning_sure, scale_sure),
        evidence=Evidence(
            signal.margin_bits, signal.order_margin_bits, matching_scales=matching_scales
        ),
        rivals=rivals,
    )
