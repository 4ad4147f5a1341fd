"""Values that their description left in pieces, put together by how the joint moved. Pure.

Cheapest to write down is sometimes a magnitude and its sign apart, or the lowest bits of a noisy
speed as a number of their own. How the joint moved says more: pieces that lie side by side, and
follow it together where none does alone, are one value.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import (
    ORDERS,
    BitField,
    BitOrder,
    join_pieces,
    read_field,
    unwrap_field,
)
from logger.layout_finder.joint_values import JointValues
from logger.layout_finder.load import fit_load
from logger.layout_finder.motion import SOUND_HALF_TURN, fit_position, restart_of
from logger.layout_finder.number_form import NumberForm, choose_form, read_number
from logger.layout_finder.signals import Kind, Signal
from logger.layout_finder.speed import fit_speed
from logger.layout_finder.traffic import Bytes, Marks, TypedNumbers, frames_in

__all__ = ["grow_values", "join_by_motion"]

MOST_PIECES: Final = 4
MOST_BITS: Final = 32
LEAST_BITS: Final = 6
JOINED_MARGIN_BITS: Final = 12.0
"""What a place that the movement tells counts as; see `place_certainty`."""
_MOST_FRAMES: Final = 20000
_SOUND_CLOSURE: Final = 0.015
_SOUND_CORRELATION: Final = 0.98
_SOUND_LOAD: Final = 0.995
_AS_GOOD: Final = 1.2
"""Times the least error: the fewest pieces within it are the value."""
_JUNK_STEP: Final = 0.2
"""Of the range, in a quarter of all frames: no movement, whatever it is read as."""
_GOES_ON: Final = 0.75
"""Of the changes of bits above, that carry what was due."""
_SMOOTHER: Final = 0.8
_UNEVEN: Final = 0.04
_MEMORY: Final = 0.05
"""What is evenly spread over its range, and forgets itself from frame to frame, is no value."""

Span = tuple[int, int]


@dataclass(frozen=True, eq=False)
class _Joined:
    """Pieces read as one value."""

    signal: Signal
    members: tuple[int, ...]
    error: float
    """Relative, of what it is by the movement."""


@dataclass(frozen=True, eq=False)
class _Steps:
    """What a value is held against."""

    found: JointValues
    marks: Marks
    typed: TypedNumbers


def join_by_motion(
    signals: Sequence[Signal],
    kinds: Sequence[Kind],
    found: JointValues,
    marks: Marks,
    typed: TypedNumbers,
) -> tuple[Signal, ...]:
    """Return the signals, those of them put together that only together follow the joint.

    Parameters
    ----------
    signals, kinds
        As they were cut, and the frames that they are of.
    found
        What of them moves with the joint as it is.
    marks, typed
        As they were given.
    """
    if marks.turn is None:
        return tuple(signals)
    steps = _Steps(found, marks if found.reference is None else found.reference.marks, typed)
    named = {*found.positions, *found.speeds, *found.loads}
    missing = not (found.positions and found.speeds and found.loads)
    joined: list[_Joined] = []
    for number, kind in enumerate(kinds):
        own = {
            place: signal
            for place, signal in enumerate(signals)
            if signal.kind == number and signal.form is not NumberForm.FLOAT and place not in named
        }
        for field, members in _joined_fields(kind, own, in_two=missing):
            pieces = {place: own[place] for place in members}
            joined += _read_pieces(kind, field, pieces, steps)
    chosen = _choose(joined)
    gone = {place for one in chosen for place in one.members}
    kept = [signal for place, signal in enumerate(signals) if place not in gone]
    return (*kept, *(one.signal for one in chosen))


def _span_of(field: BitField, order: BitOrder) -> Span | None:
    """Return the columns of a field in an order, first and behind the last; None: no such row."""
    if field.upper is not None:
        return None
    columns = sorted(
        8 * byte + (bit if order == "little" else 7 - bit) for byte, bit in field.bit_places
    )
    is_row = field.order == order or columns[0] // 8 == columns[-1] // 8
    return (columns[0], columns[-1] + 1) if is_row else None


def _joined_fields(
    kind: Kind, own: dict[int, Signal], *, in_two: bool
) -> Iterator[tuple[BitField, tuple[int, ...]]]:
    """Yield what pieces of a kind may make together, and which they are.

    Between them there may be bits that are always zero: of a magnitude that is never so great.
    `in_two`: also pieces that do not touch; a bit that does not is tried as a sign always.
    """
    ever = np.bitwise_or.reduce(kind.payload, axis=0)
    for order in ORDERS:
        spans = sorted(
            (span, place)
            for place, signal in own.items()
            if (span := _span_of(signal.field, order)) is not None
        )
        for first in range(len(spans)):
            for last in range(first, min(first + MOST_PIECES, len(spans))):
                (start, _), (_, end) = spans[first][0], spans[last][0]
                some = spans[first : last + 1]
                if not LEAST_BITS <= end - start <= MOST_BITS or not _only_zeros_between(
                    [span for span, _ in some], ever, order
                ):
                    continue
                field = BitField(start, end - start, order)
                within_one = start // 8 == (end - 1) // 8
                if not (order == "big" and within_one):
                    yield field, tuple(place for _, place in some)
    for lower, one in own.items():
        for upper, other in own.items():
            whole = one.field.upper is None and other.field.upper is None
            length = one.field.length + other.field.length
            fits = lower != upper and whole and LEAST_BITS <= length <= MOST_BITS
            if fits and (in_two or other.field.length == 1):
                yield join_pieces(one.field, other.field), (lower, upper)


def _only_zeros_between(spans: Sequence[Span], ever: Bytes, order: BitOrder) -> bool:
    for (_, end), (start, _) in itertools.pairwise(spans):
        if start < end:
            return False
        for column in range(end, start):
            byte, bit = divmod(column, 8)
            if ever[byte] >> (bit if order == "little" else 7 - bit) & 1:
                return False
    return True


def _read_pieces(
    kind: Kind, field: BitField, pieces: dict[int, Signal], steps: _Steps
) -> list[_Joined]:
    """Return the ways in which joined pieces follow the joint."""
    step = max(1, len(kind.payload) // _MOST_FRAMES)
    payload, time_s = kind.payload[::step], kind.time_s[::step]
    rest = frames_in(time_s, steps.marks.rest)
    forms = {choose_form(payload, field, rest), NumberForm.SIGN_MAGNITUDE}
    first, *others = pieces.values()
    if not others:
        forms.discard(first.form)
    read = []
    for form in sorted(forms, key=lambda one: one.value):
        thin = Signal(
            *(first.kind, field, form, time_s, read_number(payload, field, form)),
            *(JOINED_MARGIN_BITS, JOINED_MARGIN_BITS),
        )
        error = _error_of(thin, steps)
        if error is not None:
            value = read_number(kind.payload, field, form)
            whole = replace(thin, time_s=kind.time_s, value=value)
            read.append(_Joined(whole, tuple(pieces), error))
    return read


def _error_of(signal: Signal, steps: _Steps) -> float | None:
    """Return how far a signal is from what it is by the movement; None where it is nothing."""
    modulus = 1 << signal.field.length
    jumps = np.abs(np.diff(signal.value))
    moved = float(np.quantile(np.minimum(jumps, np.abs(modulus - jumps)), 0.75))
    if moved > _JUNK_STEP * modulus or np.ptp(signal.value) == 0.0:
        return None
    position = fit_position(
        signal.time_s, signal.value, signal.modulus, steps.marks, steps.typed.positive
    )
    if position is not None and position.closure < _SOUND_CLOSURE:
        half = 0.0 if np.isnan(position.half_turn_error) else abs(position.half_turn_error)
        if half < SOUND_HALF_TURN:
            return position.closure + half
    reference, reference_s = steps.found.reference, steps.found.reference_s
    if reference is None:
        return None
    speed = fit_speed(signal.time_s, signal.value, reference_s, reference)
    if speed is not None:
        return speed.integral_error if speed.correlation > _SOUND_CORRELATION else None
    load = fit_load(signal.time_s, signal.value, reference_s, reference, steps.typed)
    return 1.0 - load.explained if load is not None and load.explained > _SOUND_LOAD else None


def _choose(joined: Sequence[_Joined]) -> list[_Joined]:
    """Return joined values that share no piece: the best, of as few pieces as are as good."""
    left = list(joined)
    chosen: list[_Joined] = []
    while left:
        best = min(left, key=lambda one: one.error)
        rivals = [
            one
            for one in left
            if set(one.members) & set(best.members) and one.error <= _AS_GOOD * best.error
        ]
        taken = min(
            rivals,
            key=lambda one: (len(one.members), one.signal.field.upper is not None, one.error),
        )
        chosen.append(taken)
        left = [one for one in left if not set(one.members) & set(taken.members)]
    return chosen


def grow_values(
    signals: Sequence[Signal], kinds: Sequence[Kind], found: JointValues
) -> tuple[Signal, ...]:
    """Return the signals, one that moves with the joint grown by a neighbour that is its own.

    As many as there were where nothing is to be grown. `kinds` are the frames that they are of,
    `found` what of them moves with the joint.
    """
    named = {*found.positions, *found.speeds, *found.loads}
    kept: dict[int, Signal] = dict(enumerate(signals))
    for place in sorted(named):
        signal = signals[place]
        payload = kinds[signal.kind].payload
        if signal.form is NumberForm.FLOAT or signal.field.upper is not None:
            continue
        for order in ORDERS:
            span = _span_of(signal.field, order)
            if span is None:
                continue
            for other, neighbour in list(kept.items()):
                if neighbour.kind != signal.kind or other in named:
                    continue
                its_span = _span_of(neighbour.field, order)
                if its_span is None or its_span[1] - its_span[0] + span[1] - span[0] > MOST_BITS:
                    continue
                above = its_span[0] == span[1] if order == "little" else its_span[1] == span[0]
                below = its_span[1] == span[0] if order == "little" else its_span[0] == span[1]
                if not (above or below):
                    continue
                start = min(span[0], its_span[0])
                field = BitField(start, max(span[1], its_span[1]) - start, order)
                form = (
                    _form_above(payload, field, neighbour.field, _course_of(place, signal, found))
                    if above
                    else _form_below(payload, signal, neighbour.field)
                )
                if form is not None:
                    value = read_number(payload, field, form)
                    kept[place] = replace(
                        signal,
                        field=field,
                        form=form,
                        value=value,
                        margin_bits=max(signal.margin_bits, JOINED_MARGIN_BITS),
                        order_margin_bits=max(signal.order_margin_bits, JOINED_MARGIN_BITS),
                    )
                    del kept[other]
                    return tuple(kept.values())
    return tuple(kept.values())


def _course_of(place: int, signal: Signal, found: JointValues) -> Floats:
    position = found.positions.get(place)
    return signal.value if position is None else position.unwrapped


def _form_above(
    payload: Bytes, field: BitField, upper: BitField, course: Floats
) -> NumberForm | None:
    """Return how a value is read with bits above it that only go on with it; None: they do not.

    Wherever those bits change, the whole moves by the step that was due; but for where it starts
    again, which the lower bits alone do not see.
    """
    due = np.diff(course)
    changes = np.diff(read_field(payload, upper)) != 0
    for form in (NumberForm.UNSIGNED, NumberForm.TWOS_COMPLEMENT):
        value = read_number(payload, field, form)
        steps = np.diff(value)
        modulus = 1 << field.length
        if np.max(np.abs(steps), initial=0.0) > 0.5 * modulus:
            raw = value.astype(np.int64)
            steps = np.diff(unwrap_field(raw, restart_of(raw, modulus)))
        if np.mean(steps[changes] == due[changes]) > _GOES_ON:
            return form
    return None


def _form_below(payload: Bytes, signal: Signal, lower: BitField) -> NumberForm | None:
    """Return how a value is read with bits below it that are its own; None: they are not."""
    below, above = read_field(payload, lower), read_field(payload, signal.field)
    is_own = _makes_smoother(below, above, lower.length) or _is_white(
        below, lower, payload.shape[1]
    )
    return signal.form if is_own else None


def _makes_smoother(below: Ints, above: Ints, bits: int) -> bool:
    """Return whether a value moves more evenly with the bits below it than without them."""
    count = 1 << bits
    bends = [
        float(np.mean(np.minimum(np.abs(np.diff(value, 2)), 8 * count)))
        for value in (count * above + below, count * above)
    ]
    return bends[0] < _SMOOTHER * bends[1]


def _is_white(value: Ints, field: BitField, width: int) -> bool:
    """Return whether bits are evenly spread and without memory: lowest bits, no value.

    A whole byte at an end of the frame may be a checksum of a kind that is not known.
    """
    is_check = field.length == 8 and field.first_column in {0, 8 * (width - 1)}
    if field.length < 3 or is_check:
        return False
    shares = np.bincount(value >> (field.length - 3), minlength=8) / len(value)
    course = value - value.mean()
    memory = float(np.mean(course[1:] * course[:-1]) / max(float(np.mean(course**2)), 1e-12))
    return bool(np.max(np.abs(shares - 0.125)) < _UNEVEN and abs(memory) < _MEMORY)
