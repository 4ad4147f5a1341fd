"""What is proposed: kinds of frames, values, how sure each is, what stays undecided. Pure.

Three probabilities belong to each value: that its bits lie there, that it means this, that its
scale is right. One number would hide that a place may be sure where the meaning is not.
"""

from dataclasses import dataclass
from enum import Enum

from logger.layout_finder.bits import BitField
from logger.layout_finder.checksum import FoundChecksum
from logger.layout_finder.counter import FoundCounter
from logger.layout_finder.number_form import NumberForm
from logger.layout_finder.traffic import Marks

__all__ = [
    "Evidence",
    "Meaning",
    "Probabilities",
    "Proposal",
    "ProposedKind",
    "ProposedValue",
    "Rival",
    "Undecided",
    "UndecidedItem",
]


class Meaning(Enum):
    """What a value is taken for; its scale is to the unit that stands here."""

    POSITION = "position"
    """rad at the output; the zero is not known."""
    COMMANDED_POSITION = "commanded_position"
    """rad: asked of the joint, not measured."""
    SPEED = "speed"
    """rad/s at the output."""
    COMMANDED_SPEED = "commanded_speed"
    """rad/s: asked of the joint, not measured."""
    LOAD = "load"
    """Current or torque, Nm at the output."""
    COMMANDED_LOAD = "commanded_load"
    """Nm: asked of the joint, not measured."""
    TEMPERATURE = "temperature"
    """degC."""
    VOLTAGE = "voltage"
    """V."""
    UPTIME = "uptime"
    """Counts of time since a start."""
    FLAG = "flag"
    """A lone bit."""
    UNKNOWN = "unknown"


class Undecided(Enum):
    """What the four steps cannot decide, or could not this time."""

    NO_TURN = "no_turn"
    """The turn was not marked, so that nothing that moves can be named."""
    NO_LOAD = "no_load"
    """The load step was not marked: no check of the turn, no current or torque."""
    NO_WARM = "no_warm"
    """The warm step was not marked: no temperature."""
    NOTHING_MOVED_AS_MARKED = "nothing_moved_as_marked"
    """No value went once around and back: wrong marks, a turn that did not close, no position."""
    TURN_CONTRADICTS_LOAD = "turn_contradicts_load"
    """The weight's torque, or the span of the load step, says that the turn was not one turn."""
    OTHER_JOINT_MOVED = "other_joint_moved"
    """Two values turned, and not together: two joints, which cannot be told apart."""
    COMMANDED_OR_MEASURED = "commanded_or_measured"
    """Perfectly still at rest: turn once more by hand, the controller off."""
    TURN_TOO_FAST = "turn_too_fast"
    """Fewer than five frames for each turn of the encoder: turn slower by `factor`."""
    ZERO_OF_POSITION = "zero_of_position"
    GEAR_RATIO = "gear_ratio"
    """Gear ratio and counts of the encoder: only their product is seen."""
    SIDE_OF_SPEED = "side_of_speed"
    """Of the motor or of the output: only its scale at the output is seen."""
    CURRENT_OR_TORQUE = "current_or_torque"
    """Proportional to each other: amperes need a meter or the data sheet."""
    NO_WEIGHT = "no_weight"
    """Weight or arm was not typed, or is nothing: the load has no scale."""
    WHICH_TEMPERATURE = "which_temperature"
    TEMPERATURE_SCALE = "temperature_scale"
    """One reading of the room gives no scale: usual ones that fit are listed, or none fits."""
    UPPER_BITS_UNSEEN = "upper_bits_unseen"
    """Bits above never changed: how far the value reaches is assumed."""
    LOWER_BITS_UNSURE = "lower_bits_unsure"
    """Bits right below move as nothing does: they may be its own."""
    STILL_BITS = "still_bits"
    """Bits of these frames never changed, and are of no value that was found."""
    FLAG_MEANING = "flag_meaning"
    UNKNOWN_VALUE = "unknown_value"
    """It moves, and follows nothing that was done."""
    TOO_FEW_FRAMES = "too_few_frames"


@dataclass(frozen=True)
class Probabilities:
    """That bits, meaning and scale are right, each from 0 to 1."""

    place: float
    meaning: float
    scale: float


@dataclass(frozen=True)
class Evidence:
    """What speaks for a value; None where it does not apply."""

    margin_bits: float
    """How much longer the description of the frames is without this field."""
    order_margin_bits: float
    correlation: float | None = None
    closure: float | None = None
    half_turn_error: float | None = None
    integral_error: float | None = None
    explained: float | None = None
    gravity_share: float | None = None
    relative_uncertainty: float | None = None
    matching_scales: int | None = None
    still_at_rest: bool = False
    warms: bool = False
    """It follows the heat of the load."""


@dataclass(frozen=True)
class Rival:
    """Another reading of the same bits."""

    meaning: Meaning
    scale: float | None
    offset: float
    probability: float
    """Of meaning and scale together."""
    field: BitField | None = None
    """With the unchanging bits that it takes for its own; None: those of the value itself."""


@dataclass(frozen=True)
class ProposedValue:
    """One value of a kind: value = number * scale + offset, in the unit of its meaning."""

    field: BitField
    """From the lowest to the highest bit that changed."""
    assumed_field: BitField
    """The same, with the unchanging bits above that are taken for its own."""
    form: NumberForm
    meaning: Meaning
    scale: float | None
    offset: float
    modulus: int | None
    """Counts after which a position starts again; None: it counts on."""
    probability: Probabilities
    evidence: Evidence
    rivals: tuple[Rival, ...] = ()


@dataclass(frozen=True)
class ProposedKind:
    """Frames of one identifier, length and value of the multiplexer."""

    identifier: int
    extended: bool
    length: int
    multiplexer: BitField | None
    multiplexer_value: int | None
    frames: int
    period_s: float
    """Median from frame to frame."""
    checksum: FoundChecksum | None
    counters: tuple[FoundCounter, ...]
    values: tuple[ProposedValue, ...]


@dataclass(frozen=True)
class UndecidedItem:
    """One thing that is not decided, and of which value."""

    reason: Undecided
    kind: int | None = None
    """Place in `Proposal.kinds`; None: of the whole."""
    field: BitField | None = None
    factor: float | None = None
    """How many times slower; see the reason."""


@dataclass(frozen=True)
class Proposal:
    """The layout that is proposed, for a person to confirm."""

    kinds: tuple[ProposedKind, ...]
    undecided: tuple[UndecidedItem, ...]
    marks: Marks
    """Corrected by the traffic."""
