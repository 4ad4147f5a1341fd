"""What is proposed in words: why a value is taken for what it is, what stays undecided. Pure."""

from typing import Final

from logger.joint.bench.identifiers import format_id
from logger.layout_finder.proposal import (
    Evidence,
    Proposal,
    Undecided,
    UndecidedItem,
)
from logger.layout_tools.bit_map import ClaimSort, claim_bits

__all__ = ["bit_map_lines", "reason_of", "undecided_sentences"]

SURE: Final = 0.9
_MARKS: Final = {
    ClaimSort.STILL: ".",
    ClaimSort.UNKNOWN: "?",
    ClaimSort.SELECTOR: "=",
    ClaimSort.CHECKSUM: "#",
    ClaimSort.COUNTER: "+",
}

_WORDS: Final = {
    Undecided.NO_TURN: "The turn is not marked: nothing that moves can be named.",
    Undecided.NO_LOAD: (
        "The load step is not marked: the turn has no check, and current or torque cannot be named."
    ),
    Undecided.NO_WARM: "The warm step is not marked: no temperature can be named.",
    Undecided.NOTHING_MOVED_AS_MARKED: (
        "Nothing went once around and back in the turn as marked: the marks are wrong by more than "
        "3 s, the turn did not close, the joint reports no position and no speed, or its payloads "
        "are encrypted. Turn once more, mark to mark, and back."
    ),
    Undecided.TURN_CONTRADICTS_LOAD: (
        "By the weight's torque, or by the span from +90 to -90 degrees, the turn was not one "
        "turn: every scale of position, speed and load is in doubt by as much."
    ),
    Undecided.OTHER_JOINT_MOVED: (
        "Two positions moved, and not together: two joints, which cannot be told apart. Let all "
        "others stand still and do it again."
    ),
    Undecided.COMMANDED_OR_MEASURED: (
        "perfectly still at rest: commanded or measured cannot be told. Turn once more by hand, "
        "the controller off."
    ),
    Undecided.TURN_TOO_FAST: (
        "fewer than five frames for each turn of the encoder: turn {factor:.1f} times slower."
    ),
    Undecided.ZERO_OF_POSITION: "the zero is not known; zero_rad in the bench file sets it.",
    Undecided.GEAR_RATIO: (
        "gear ratio and counts of the encoder cannot be told apart: the data sheet has one of them."
    ),
    Undecided.SIDE_OF_SPEED: (
        "whether it is meant of the motor or of the output cannot be told; its scale is to the "
        "output."
    ),
    Undecided.CURRENT_OR_TORQUE: (
        "current and torque are proportional: amperes need a meter or the data sheet."
    ),
    Undecided.NO_WEIGHT: "weight or arm is not typed, or nothing: the load has no scale.",
    Undecided.WHICH_TEMPERATURE: "where in the joint it is measured cannot be told.",
    Undecided.TEMPERATURE_SCALE: (
        "one reading of the room does not tell its scale: a thermometer on the warm joint would."
    ),
    Undecided.UPPER_BITS_UNSEEN: "bits above never changed: how far it reaches is assumed.",
    Undecided.LOWER_BITS_UNSURE: (
        "bits right below it move as nothing does: they may be its own, and its scale then smaller."
    ),
    Undecided.STILL_BITS: (
        "bits that never changed are of no value that was found: codes of faults, flags, numbers "
        "that stood still."
    ),
    Undecided.FLAG_MEANING: "a lone bit; what it means cannot be told.",
    Undecided.UNKNOWN_VALUE: "it moves, and follows nothing that was done.",
    Undecided.TOO_FEW_FRAMES: "too few frames came to say anything.",
}
NEVER_DECIDED: Final = (
    "A mistyped weight cannot be noticed: all loads would be wrong by the same share.",
    "Values that are sent only on request, on change or while a fault is on were not seen.",
)


def undecided_sentences(proposal: Proposal) -> list[str]:
    """Return a sentence for each thing that is not decided; of values alike in one."""
    sentences = []
    alike: dict[Undecided, list[str]] = {}
    for item in proposal.undecided:
        if item.kind is None:
            sentences.append(_WORDS[item.reason])
        else:
            alike.setdefault(item.reason, []).append(_place_of(proposal, item))
    factors = {item.reason: item.factor for item in proposal.undecided if item.factor}
    for reason, places in alike.items():
        words = _WORDS[reason].format(factor=factors.get(reason, 0.0))
        sentences.append(f"{', '.join(dict.fromkeys(places))}: {words}")
    return [*sentences, *NEVER_DECIDED]


def _place_of(proposal: Proposal, item: UndecidedItem) -> str:
    assert item.kind is not None, "called only for what is of a kind"
    kind = proposal.kinds[item.kind]
    text = format_id(kind.identifier, extended=kind.extended)
    if kind.multiplexer_value is not None:
        text += f"/{kind.multiplexer_value:02X}"
    if item.field is not None:
        text += f" byte {item.field.byte} bit {item.field.bit}"
    return text


def reason_of(evidence: Evidence) -> str:
    """Return what speaks for a value, in a line."""
    parts = []
    if evidence.correlation is not None and evidence.correlation == evidence.correlation:
        parts.append(f"r = {evidence.correlation:.3f} with the derivative of the position")
    if evidence.integral_error is not None and evidence.integral_error == evidence.integral_error:
        parts.append(f"its integral strays {evidence.integral_error:.1%} from the position")
    if evidence.closure is not None:
        parts.append(f"back within {evidence.closure:.2%} of the turn")
    if evidence.half_turn_error is not None and evidence.half_turn_error == (
        evidence.half_turn_error
    ):
        parts.append(f"the load step is half of the turn to {abs(evidence.half_turn_error):.1%}")
    if evidence.explained is not None:
        parts.append(f"weight and friction explain {evidence.explained:.1%} of the load step")
    if evidence.matching_scales is not None:
        parts.append(f"{evidence.matching_scales} scales fit")
    if evidence.still_at_rest:
        parts.append("perfectly still at rest")
    parts.append(f"the next-best cut is {evidence.margin_bits:,.0f} bits worse")
    return "; ".join(parts)


def bit_map_lines(proposal: Proposal) -> list[str]:
    """Return the bits of each kind, a byte a group, highest bit first; what the letters mean.

    Each value has a letter, large where its place and meaning are surer than 0.9; "=" is of what
    tells kinds apart, "#" a checksum, "+" a counter, "?" moves and follows nothing, "." is still.
    """
    lines = []
    for kind in proposal.kinds:
        named = {
            number: chr(ord("a") + place % 26)
            for place, number in enumerate(
                number for number, value in enumerate(kind.values) if value.scale is not None
            )
        }
        for number, letter in named.items():
            sureness = kind.values[number].probability
            if min(sureness.place, sureness.meaning) > SURE:
                named[number] = letter.upper()
        marks = [
            _MARKS[claim.sort] if claim.value is None else named[claim.value]
            for claim in claim_bits(kind)
        ]
        head = format_id(kind.identifier, extended=kind.extended)
        if kind.multiplexer_value is not None:
            head += f" kind 0x{kind.multiplexer_value:02X}"
        groups = ("".join(reversed(marks[at : at + 8])) for at in range(0, len(marks), 8))
        lines.append(f"{head}  {' '.join(groups)}")
        lines += [
            f"    {letter}  {value.meaning.value:18} place {value.probability.place:.2f}  "
            f"meaning {value.probability.meaning:.2f}  scale {value.probability.scale:.2f}"
            for letter, value in ((named[number], kind.values[number]) for number in named)
        ]
    return lines
