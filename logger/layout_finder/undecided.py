"""What the four steps cannot decide about values, kinds and the whole. Pure."""

from collections.abc import Sequence

from logger.layout_finder.bits import toggle_counts
from logger.layout_finder.certainty import SOUND_TURN
from logger.layout_finder.joint_values import JointValues, needed_slowness
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.proposal import Meaning, ProposedValue, Undecided, UndecidedItem
from logger.layout_finder.signals import MIN_FRAMES, Kind, Signal, extensions_of
from logger.layout_finder.traffic import Marks, TypedNumbers

__all__ = ["begins_in_noise", "undecided_of_kind", "undecided_of_steps", "undecided_of_value"]

_OF_POSITION = {Meaning.POSITION, Meaning.COMMANDED_POSITION}
_OF_SPEED = {Meaning.SPEED, Meaning.COMMANDED_SPEED}
_OF_LOAD = {Meaning.LOAD, Meaning.COMMANDED_LOAD}


def undecided_of_steps(marks: Marks, found: JointValues) -> list[UndecidedItem]:
    """Return what could not be decided this time, for the steps as they were done."""
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
            (Undecided.TURN_CONTRADICTS_LOAD, abs(found.turn_error) > SOUND_TURN),
            (Undecided.OTHER_JOINT_MOVED, found.other_joint),
        )
        if is_so
    ]
    return [UndecidedItem(reason) for reason in reasons]


def begins_in_noise(value: ProposedValue, values: Sequence[ProposedValue]) -> bool:
    """Return whether bits that nothing explains move right below a value of a kind.

    They may be its own lower bits. The lowest bit of a temperature that hardly moves looks like a
    flag.
    """
    if value.meaning in {Meaning.UNKNOWN, Meaning.FLAG}:
        return False
    byte, bit = value.field.bit_places[0]
    below = {(byte, bit - 1)} if bit else {(byte - 1, 7), (byte + 1, 7)}
    return any(
        bool(below & set(other.field.bit_places))
        for other in values
        if (other.meaning is Meaning.UNKNOWN and other.field.length > 1)
        or (other.meaning is Meaning.FLAG and value.meaning is Meaning.TEMPERATURE)
    )


def undecided_of_value(
    value: ProposedValue,
    signal: Signal,
    kind: Kind,
    taken: frozenset[int],
    steps: tuple[Marks, TypedNumbers],
) -> list[UndecidedItem]:
    """Return what the steps cannot decide about a value.

    Parameters
    ----------
    value, signal, kind
        The value, what was read of it, and the frames that it is of.
    taken
        Columns of the kind, in the order "little", that are other fields' or known.
    steps
        Marks and typed numbers, as they were given.
    """
    marks, typed = steps
    reasons: list[Undecided] = []
    if value.meaning in _OF_POSITION:
        reasons += [Undecided.ZERO_OF_POSITION, Undecided.GEAR_RATIO]
    elif value.meaning in _OF_SPEED:
        reasons.append(Undecided.SIDE_OF_SPEED)
    elif value.meaning in _OF_LOAD:
        reasons.append(Undecided.CURRENT_OR_TORQUE)
        if not (typed.mass_kg and typed.arm_m):
            reasons.append(Undecided.NO_WEIGHT)
    elif value.meaning is Meaning.TEMPERATURE:
        reasons += [Undecided.WHICH_TEMPERATURE, Undecided.TEMPERATURE_SCALE]
    elif value.meaning is Meaning.FLAG:
        reasons.append(Undecided.FLAG_MEANING)
    elif value.meaning is Meaning.UNKNOWN:
        reasons.append(Undecided.UNKNOWN_VALUE)
    if value.evidence.still_at_rest and value.meaning in _OF_POSITION | _OF_SPEED:
        reasons.append(Undecided.COMMANDED_OR_MEASURED)
    if value.meaning in {Meaning.TEMPERATURE, Meaning.VOLTAGE} or _may_go_on(
        value, signal, kind, taken
    ):
        reasons.append(Undecided.UPPER_BITS_UNSEEN)
    items = [UndecidedItem(reason, signal.kind, value.field) for reason in reasons]
    turns = value.modulus is not None or value.meaning is Meaning.UNKNOWN
    if turns and signal.form is not NumberForm.FLOAT and signal.field.length >= 8:
        factor = needed_slowness(signal, marks)
        if factor > 1.0:
            items.append(UndecidedItem(Undecided.TURN_TOO_FAST, signal.kind, value.field, factor))
    return items


def _may_go_on(value: ProposedValue, signal: Signal, kind: Kind, taken: frozenset[int]) -> bool:
    """Return whether bits right above a value never changed, and are nobody's."""
    if value.modulus is not None or signal.form is not NumberForm.UNSIGNED:
        # What starts again, or moves its sign, would move them too if they were its own.
        return False
    named = value.meaning not in {Meaning.FLAG, Meaning.UNKNOWN, Meaning.UPTIME}
    return named and len(extensions_of(kind.payload, value.field, taken)) > 1


def undecided_of_kind(
    kind: Kind, number: int, values: Sequence[ProposedValue]
) -> list[UndecidedItem]:
    """Return what stays undecided about frames laid out alike; `number` is the kind's place."""
    if len(kind.payload) < MIN_FRAMES:
        return [UndecidedItem(Undecided.TOO_FEW_FRAMES, kind=number)]
    items = [
        UndecidedItem(Undecided.LOWER_BITS_UNSURE, number, value.field)
        for value in values
        if begins_in_noise(value, values)
    ]
    claimed = kind.known_columns.union(*(value.assumed_field.little_columns for value in values))
    still = {column for column, count in enumerate(toggle_counts(kind.payload)) if count == 0}
    if still - claimed:
        items.append(UndecidedItem(Undecided.STILL_BITS, kind=number))
    return items
