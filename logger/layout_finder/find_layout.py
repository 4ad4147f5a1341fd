"""The layout proposed from traffic: kinds, values, probabilities, what stays undecided. Pure."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logger.layout_finder.calibration import calibrate_value
from logger.layout_finder.certainty import (
    CUT_SCALE_CAP,
    SOUND_TURN,
    counted_place,
    load_certainty,
    place_certainty,
    position_certainty,
    speed_certainty,
)
from logger.layout_finder.joint_values import JointValues, find_joint_values, needed_slowness
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.proposal import (
    Evidence,
    Meaning,
    Probabilities,
    Proposal,
    ProposedKind,
    ProposedValue,
    Rival,
    Undecided,
    UndecidedItem,
)
from logger.layout_finder.signals import (
    MIN_FRAMES,
    Kind,
    Signal,
    find_checksums,
    find_signals,
    split_kinds,
)
from logger.layout_finder.slow_proposals import propose_slow
from logger.layout_finder.traffic import Marks, Traffic, TypedNumbers, group_frames

__all__ = ["propose_layout"]

OTHER_JOINT_CAP: Final = 0.5
_DOUBTFUL_LOAD: Final = 0.6
MIN_ZERO_SHARE: Final = 0.01
"""Of a signal's peak: a smaller zero is noise, and no offset."""


def propose_layout(traffic: Traffic, marks: Marks, typed: TypedNumbers) -> Proposal:
    """Return what the frames of a bus most likely carry, and how sure each claim is.

    Parameters
    ----------
    traffic
        All frames of the recording, of every identifier.
    marks
        When the four steps were done, on the clock of the frames; up to 3 s off.
    typed
        What the person typed.

    Raises
    ------
    ValueError
        Where the arrays of the traffic do not belong together.
    """
    groups = group_frames(traffic)
    kinds = [
        kind
        for group, checksum in zip(groups, find_checksums(groups), strict=True)
        for kind in split_kinds(group, checksum)
    ]
    signals = [
        one for number, kind in enumerate(kinds) for one in find_signals(kind, number, marks)
    ]
    found = find_joint_values(signals, marks, typed)
    corrected = marks if found.reference is None else found.reference.marks
    values: dict[int, list[ProposedValue]] = {number: [] for number in range(len(kinds))}
    undecided = _undecided_of_steps(marks, found)
    for place, signal in enumerate(signals):
        taken = kinds[signal.kind].known_columns.union(
            *(
                other.field.little_columns
                for other in signals
                if other.kind == signal.kind and other is not signal
            )
        )
        value = _moved_value(place, signal, found) or propose_slow(
            signal, kinds[signal.kind].payload, taken, corrected, typed, heating=found.heating
        )
        values[signal.kind].append(value)
        undecided += _undecided_of_value(value, signal, marks, typed)
    values = {
        number: [_calibrated(value) for value in _count_places(proposed)]
        for number, proposed in values.items()
    }
    if found.other_joint:
        values = {number: [_capped(one) for one in some] for number, some in values.items()}
    temperatures = [
        value
        for proposed in values.values()
        for value in proposed
        if value.meaning is Meaning.TEMPERATURE
    ]
    if len(temperatures) > 1:
        undecided.append(UndecidedItem(Undecided.WHICH_TEMPERATURE))
    undecided += [
        UndecidedItem(Undecided.TOO_FEW_FRAMES, kind=number)
        for number, kind in enumerate(kinds)
        if len(kind.payload) < MIN_FRAMES
    ]
    return Proposal(
        kinds=tuple(_kind_of(kind, values[number]) for number, kind in enumerate(kinds)),
        undecided=tuple(undecided),
        marks=corrected,
    )


def _kind_of(kind: Kind, values: Sequence[ProposedValue]) -> ProposedKind:
    period = float(np.median(np.diff(kind.time_s))) if len(kind.time_s) > 1 else math.nan
    return ProposedKind(
        identifier=kind.identifier,
        extended=kind.extended,
        length=kind.payload.shape[1],
        multiplexer=kind.multiplexer,
        multiplexer_value=kind.multiplexer_value,
        frames=len(kind.payload),
        period_s=period,
        checksum=kind.checksum,
        counters=kind.counters,
        values=tuple(sorted(values, key=lambda value: min(value.field.little_columns))),
    )


def _calibrated(value: ProposedValue) -> ProposedValue:
    return replace(value, probability=calibrate_value(value.meaning, value.probability))


def _capped(value: ProposedValue) -> ProposedValue:
    """Return a value with no claim surer than a guess: whose joint it is cannot be told."""
    sure = value.probability
    return replace(
        value,
        probability=Probabilities(
            place=sure.place,
            meaning=min(sure.meaning, OTHER_JOINT_CAP),
            scale=min(sure.scale, OTHER_JOINT_CAP),
        ),
    )


def _count_places(values: Sequence[ProposedValue]) -> list[ProposedValue]:
    """Return the values of a kind, the rule of each place made a probability.

    Noise that fills the lower bits of a value is described as well beside it as with it, and the
    lowest bit of a temperature that hardly moves looks like a flag.
    """
    lone = {value.field.bit_places[0] for value in values if value.meaning is Meaning.FLAG}
    unexplained = [
        value for value in values if value.meaning is Meaning.UNKNOWN and value.field.length > 1
    ]
    unknown = {place for value in unexplained for place in value.field.bit_places}
    counted = []
    for value in values:
        byte, bit = value.field.bit_places[0]
        below = {(byte, bit - 1)} if bit else {(byte - 1, 7), (byte + 1, 7)}
        cut_off = unknown | lone if value.meaning is Meaning.TEMPERATURE else unknown
        named = value.meaning not in {Meaning.UNKNOWN, Meaning.FLAG}
        cut = named and bool(cut_off & below)
        sure = value.probability
        place = counted_place(
            sure.place,
            named=named,
            lone_bit=value.meaning is Meaning.FLAG,
            cut=cut,
            partly_unexplained=any(other.field.length > 2 for other in unexplained),
        )
        scale = min(sure.scale, CUT_SCALE_CAP) if cut else sure.scale
        counted.append(replace(value, probability=Probabilities(place, sure.meaning, scale)))
    return counted


def _place_of(signal: Signal) -> float:
    several = len({byte for byte, _ in signal.field.bit_places}) > 1
    return place_certainty(signal.margin_bits, signal.order_margin_bits, several_bytes=several)


def _value_of(
    signal: Signal,
    meaning: Meaning,
    sure: tuple[float, float],
    *,
    scale: float | None,
    offset: float,
    modulus: int | None,
    evidence: Evidence,
    rivals: tuple[Rival, ...] = (),
) -> ProposedValue:
    return ProposedValue(
        field=signal.field,
        assumed_field=signal.field,
        form=signal.form,
        meaning=meaning,
        scale=scale,
        offset=offset,
        modulus=modulus,
        probability=Probabilities(_place_of(signal), *sure),
        evidence=evidence,
        rivals=rivals,
    )


def _moved_value(place: int, signal: Signal, found: JointValues) -> ProposedValue | None:
    """Return a signal as position, speed or load; None where it is none."""
    margins = (signal.margin_bits, signal.order_margin_bits)
    measured = any(not fit.still_at_rest for fit in found.positions.values())
    if (position := found.positions.get(place)) is not None:
        meaning, scale_sure = position_certainty(position, found.turn_error)
        evidence = Evidence(
            *margins,
            closure=position.closure,
            half_turn_error=position.half_turn_error,
            still_at_rest=position.still_at_rest,
        )
        names = (Meaning.POSITION, Meaning.COMMANDED_POSITION)
        rivals: tuple[Rival, ...] = ()
        if position.still_at_rest:
            # Beside one with noise, that which has none is what was asked for.
            is_request = measured or signal.kind in found.commanded_kinds
            names = names[::-1] if is_request else names
            meaning = 0.93 if is_request else meaning
            rivals = (Rival(names[1], position.rad_per_count, 0.0, 1.0 - meaning),)
        if position.modulus is not None:
            # What starts again has no sign, wherever its middle lies.
            signal = replace(signal, form=NumberForm.UNSIGNED)
        return _value_of(
            *(signal, names[0], (meaning, scale_sure)),
            scale=position.rad_per_count,
            offset=0.0,
            modulus=position.modulus,
            evidence=evidence,
            rivals=rivals,
        )
    if (speed := found.speeds.get(place)) is not None:
        peak = float(np.max(np.abs(signal.value)))
        zero = speed.zero_counts if abs(speed.zero_counts) > MIN_ZERO_SHARE * peak else 0.0
        offset = -zero * speed.rad_s_per_count
        evidence = Evidence(
            *margins,
            correlation=speed.correlation,
            closure=speed.closure,
            half_turn_error=speed.half_turn_error,
            integral_error=speed.integral_error,
            still_at_rest=speed.still_at_rest,
        )
        meaning, scale_sure = speed_certainty(speed, found.turn_error)
        rivals = ()
        names = (Meaning.SPEED, Meaning.COMMANDED_SPEED)
        if speed.still_at_rest:
            # A drive often reports no speed below a bound: less telling than with a position.
            is_request = signal.kind in found.commanded_kinds
            names = names[::-1] if is_request else names
            meaning = min(meaning, 0.93 if is_request else 0.8)
            rivals = (Rival(names[1], speed.rad_s_per_count, offset, 1.0 - meaning),)
        return _value_of(
            *(signal, names[0], (meaning, scale_sure)),
            scale=speed.rad_s_per_count,
            offset=offset,
            modulus=None,
            evidence=evidence,
            rivals=rivals,
        )
    if (load := found.loads.get(place)) is not None and found.reference is not None:
        commanded = signal.kind in found.commanded_kinds
        peak = float(np.max(np.abs(signal.value)))
        zero = load.zero_counts if abs(load.zero_counts) > 3 * MIN_ZERO_SHARE * peak else 0.0
        evidence = Evidence(
            *margins,
            explained=load.explained,
            gravity_share=load.gravity_share,
            relative_uncertainty=load.relative_uncertainty,
            half_turn_error=found.reference.half_turn_error,
        )
        meaning, scale_sure = load_certainty(load, found.turn_error)
        offset = -zero * (load.nm_per_count or 0.0)
        rivals = ()
        if commanded:
            meaning = min(meaning, 0.93)
        elif place in found.doubtful_loads:
            meaning = min(meaning, _DOUBTFUL_LOAD)
            rivals = (Rival(Meaning.COMMANDED_LOAD, load.nm_per_count, offset, 1.0 - meaning),)
        return _value_of(
            *(signal, Meaning.COMMANDED_LOAD if commanded else Meaning.LOAD),
            (meaning, scale_sure),
            scale=load.nm_per_count,
            offset=offset,
            modulus=None,
            evidence=evidence,
            rivals=rivals,
        )
    return None


def _undecided_of_steps(marks: Marks, found: JointValues) -> list[UndecidedItem]:
    reasons = [
        reason
        for reason, is_so in (
            (Undecided.NO_TURN, marks.turn is None),
            (Undecided.NO_LOAD, marks.load is None),
            (Undecided.NO_WARM, marks.warm is None),
            (
                Undecided.NOTHING_MOVED_AS_MARKED,
                marks.turn is not None and found.reference is None,
            ),
            (
                Undecided.TURN_CONTRADICTS_LOAD,
                abs(found.turn_error) > SOUND_TURN,
            ),
            (Undecided.OTHER_JOINT_MOVED, found.other_joint),
        )
        if is_so
    ]
    return [UndecidedItem(reason) for reason in reasons]


def _undecided_of_value(
    value: ProposedValue, signal: Signal, marks: Marks, typed: TypedNumbers
) -> list[UndecidedItem]:
    """Return what the steps cannot decide about a value."""
    reasons: list[Undecided] = []
    if value.meaning in {Meaning.POSITION, Meaning.COMMANDED_POSITION}:
        reasons.append(Undecided.ZERO_OF_POSITION)
        if value.evidence.still_at_rest:
            reasons.append(Undecided.COMMANDED_OR_MEASURED)
    elif value.meaning in {Meaning.LOAD, Meaning.COMMANDED_LOAD}:
        reasons.append(Undecided.CURRENT_OR_TORQUE)
        if not (typed.mass_kg and typed.arm_m):
            reasons.append(Undecided.NO_WEIGHT)
    elif value.meaning is Meaning.TEMPERATURE:
        if value.evidence.matching_scales != 1:
            reasons.append(Undecided.TEMPERATURE_SCALE)
        reasons.append(Undecided.UPPER_BITS_UNSEEN)
    elif value.meaning is Meaning.VOLTAGE:
        reasons.append(Undecided.UPPER_BITS_UNSEEN)
    elif value.meaning is Meaning.FLAG:
        reasons.append(Undecided.FLAG_MEANING)
    elif value.meaning is Meaning.UNKNOWN:
        reasons.append(Undecided.UNKNOWN_VALUE)
    items = [UndecidedItem(reason, signal.kind, value.field) for reason in reasons]
    turns = value.modulus is not None or value.meaning is Meaning.UNKNOWN
    if turns and signal.form is not NumberForm.FLOAT and signal.field.length >= 8:
        factor = needed_slowness(signal, marks)
        if factor > 1.0:
            items.append(UndecidedItem(Undecided.TURN_TOO_FAST, signal.kind, value.field, factor))
    return items
