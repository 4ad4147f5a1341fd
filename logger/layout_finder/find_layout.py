"""The layout proposed from traffic: kinds, values, probabilities, what stays undecided. Pure."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logger.layout_finder.calibration import calibrate_value
from logger.layout_finder.certainty import (
    CUT_SCALE_CAP,
    counted_place,
    load_certainty,
    place_certainty,
    position_certainty,
    speed_certainty,
)
from logger.layout_finder.joint_values import JointValues, find_joint_values
from logger.layout_finder.motion import PositionFit
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.pieces import grow_values, join_by_motion
from logger.layout_finder.proposal import (
    Evidence,
    Meaning,
    Probabilities,
    Proposal,
    ProposedKind,
    ProposedValue,
    Rival,
)
from logger.layout_finder.signals import (
    Kind,
    Signal,
    find_kinds,
    find_signals,
)
from logger.layout_finder.slow_customs import NO_CUSTOMS, Customs, customs_of
from logger.layout_finder.slow_proposals import propose_slow
from logger.layout_finder.traffic import Marks, Traffic, TypedNumbers, group_frames
from logger.layout_finder.undecided import (
    begins_in_noise,
    undecided_of_kind,
    undecided_of_steps,
    undecided_of_value,
)

__all__ = ["propose_layout"]

DOUBTED_SCALE_CAP: Final = 0.8
"""What may be asked for and not measured has the scale of another's course."""
MOST_ROUNDS: Final = 6
"""Of pieces put together: each tells more of what the next are held against."""
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
    kinds = find_kinds(groups)
    signals, found = _find_signals(kinds, marks, typed)
    corrected = marks if found.reference is None else found.reference.marks
    values: dict[int, list[ProposedValue]] = {number: [] for number in range(len(kinds))}
    undecided = undecided_of_steps(marks, found)
    taken = [_taken_by_others(place, signals, kinds) for place in range(len(signals))]
    for place, value in enumerate(_values_of(signals, kinds, taken, found, (corrected, typed))):
        signal = signals[place]
        kind = kinds[signal.kind]
        values[signal.kind].append(value)
        undecided += undecided_of_value(value, signal, kind, taken[place], (marks, typed))
    values = {
        number: [_calibrated(value) for value in _count_places(proposed)]
        for number, proposed in values.items()
    }
    if found.other_joint:
        values = {number: [_capped(one) for one in some] for number, some in values.items()}
    for number, kind in enumerate(kinds):
        undecided += undecided_of_kind(kind, number, values[number])
    return Proposal(
        kinds=tuple(_kind_of(kind, values[number]) for number, kind in enumerate(kinds)),
        undecided=tuple(undecided),
        marks=corrected,
    )


def _taken_by_others(
    place: int, signals: Sequence[Signal], kinds: Sequence[Kind]
) -> frozenset[int]:
    """Return the columns of a signal's kind that are other signals' or known."""
    kind = signals[place].kind
    return kinds[kind].known_columns.union(
        *(
            other.field.little_columns
            for number, other in enumerate(signals)
            if other.kind == kind and number != place
        )
    )


def _values_of(
    signals: Sequence[Signal],
    kinds: Sequence[Kind],
    taken: Sequence[frozenset[int]],
    found: JointValues,
    steps: tuple[Marks, TypedNumbers],
) -> list[ProposedValue]:
    """Return what each signal is: what is slow by itself first, then with the others."""
    moved = [_moved_value(place, signal, found) for place, signal in enumerate(signals)]

    def propose(place: int, customs: Customs) -> ProposedValue:
        signal = signals[place]
        payload = kinds[signal.kind].payload
        return propose_slow(
            signal, payload, taken[place], *steps, heating=found.heating, customs=customs
        )

    slow = {place: propose(place, NO_CUSTOMS) for place, value in enumerate(moved) if value is None}
    settled = {}
    for place in slow:
        others = [other for other in slow if other != place]
        same = [slow[other] for other in others if signals[other].kind == signals[place].kind]
        settled[place] = propose(place, customs_of([slow[other] for other in others], same))
    return [value or settled[place] for place, value in enumerate(moved)]


def _find_signals(
    kinds: Sequence[Kind], marks: Marks, typed: TypedNumbers
) -> tuple[Sequence[Signal], JointValues]:
    """Return the signals of all kinds, and which of them move with the joint."""
    signals: Sequence[Signal] = [
        one for number, kind in enumerate(kinds) for one in find_signals(kind, number, marks)
    ]
    found = find_joint_values(signals, marks, typed)
    held_against_position = False
    for _ in range(MOST_ROUNDS):
        better = grow_values(signals, kinds, found)
        if len(better) == len(signals):
            if held_against_position:
                break
            held_against_position = bool(found.positions)
            better = join_by_motion(signals, kinds, found, marks, typed)
            if {*map(id, better)} == {*map(id, signals)}:
                break
        signals = better
        found = find_joint_values(signals, marks, typed)
    return signals, found


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

    Noise that fills the lower bits of a value is described as well beside it as with it.
    """
    unexplained = [
        value for value in values if value.meaning is Meaning.UNKNOWN and value.field.length > 1
    ]
    counted = []
    for value in values:
        named = value.meaning not in {Meaning.UNKNOWN, Meaning.FLAG}
        cut = begins_in_noise(value, values)
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


def _read_as_count(signal: Signal, position: PositionFit) -> Signal:
    """Return a position read as it starts again: with a sign only where that counts."""
    whole = signal.form in {NumberForm.UNSIGNED, NumberForm.TWOS_COMPLEMENT}
    is_full = position.modulus == 1 << signal.field.length
    if position.modulus is None or not (
        whole or (is_full and signal.form is NumberForm.OFFSET_BINARY)
    ):
        return signal
    form = NumberForm.TWOS_COMPLEMENT if position.about_zero else NumberForm.UNSIGNED
    return replace(signal, form=form)


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
            scale_sure = scale_sure if is_request else min(scale_sure, DOUBTED_SCALE_CAP)
            rivals = (Rival(names[1], position.rad_per_count, 0.0, 1.0 - meaning),)
        signal = _read_as_count(signal, position)
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
            scale_sure = scale_sure if is_request else min(scale_sure, DOUBTED_SCALE_CAP)
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
        commanded = place in found.commanded_loads
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
        names = (Meaning.LOAD, Meaning.COMMANDED_LOAD)
        names = names[::-1] if commanded else names
        if place in found.doubtful_loads:
            meaning = min(meaning, _DOUBTFUL_LOAD)
            scale_sure = min(scale_sure, DOUBTED_SCALE_CAP)
            rivals = (Rival(names[1], load.nm_per_count, offset, 1.0 - meaning),)
        elif commanded:
            meaning = min(meaning, 0.93)
        return _value_of(
            *(signal, names[0], (meaning, scale_sure)),
            scale=load.nm_per_count,
            offset=offset,
            modulus=None,
            evidence=evidence,
            rivals=rivals,
        )
    return None
