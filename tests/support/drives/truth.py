"""What an invented drive sent, what a person said about it, and what is true of it."""

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ChecksumTruth",
    "CounterTruth",
    "DriveSet",
    "DriveTraffic",
    "FieldTruth",
    "KindTruth",
    "Marks",
    "Meaning",
    "NeighbourTruth",
    "Side",
    "SignForm",
    "Truth",
    "Typed",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Span = tuple[float, float]


class DriveSet(Enum):
    """How unkind the drives are."""

    MAIN = "main"
    """Marks wrong by up to 0.4 s."""
    HARD = "hard"
    """Marks wrong by up to 2 s; unusual forms, lost frames and a moving neighbour are frequent."""
    WRONG_TURN = "wrong turn"
    """As the main set, but what was typed as one turn was 4 % more or less."""


class Meaning(Enum):
    """What a field tells."""

    POSITION = "position"
    SPEED = "speed"
    TORQUE = "torque"
    CURRENT = "current"
    TEMPERATURE = "temperature"
    VOLTAGE = "voltage"
    FLAGS = "flags"
    UPTIME = "uptime"
    CONSTANT = "constant"


class SignForm(Enum):
    """How raw bits become a number."""

    UNSIGNED = "unsigned"
    TWOS_COMPLEMENT = "two's complement"
    OFFSET_BINARY = "offset binary"
    """The number is the raw one less 2^(bits - 1)."""
    SIGN_MAGNITUDE = "sign and magnitude"
    """The highest bit is the sign of the rest."""
    FLOAT32 = "32-bit float"


class Side(Enum):
    """Where a position or a speed is measured."""

    MOTOR = "motor"
    OUTPUT = "output"


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """(start_s, end_s) of each step."""

    rest: Span
    turn: Span
    load: Span
    warm: Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What the person typed."""

    ambient_degC: float  # noqa: N815 - the unit is written so
    supply_V: float  # noqa: N815 - the same
    mass_kg: float
    arm_m: float
    positive: int
    """1: the first way of the turn counts as positive; -1: the way back does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTruth:
    """One field of a kind of frame.

    What is told is `number * scale + offset` in SI units at the output, in the person's direction;
    `number` comes of the raw bits by `sign_form`. Angles in rad, speeds in rad/s; torque and
    current both in N m; temperatures in degC; flags and constants by themselves.
    """

    name: str
    meaning: Meaning
    places: tuple[int, ...]
    """byte * 8 + bit of each bit of the raw number, lowest first; bit 0 is a byte's lowest."""
    order: str
    """"little" or "big": the order of bytes."""
    is_split: bool
    """Its bits lie in two pieces."""
    sign_form: SignForm
    scale: float
    offset: float
    ampere_scale: float | None
    """Ampere a count, of a current."""
    side: Side | None
    wrap_counts: int | None
    """The number starts again after so many."""
    least_frames_per_wrap: float | None
    """Frames in the time of one wrap, at the highest speed."""
    is_setpoint: bool
    """A copy of what a controller wants, not of what is."""
    moving_places: tuple[int, ...]
    """Those of `places` whose bit changed in what was received; of the others nothing can be
    known."""
    course: Floats
    """Shape (n of the kind): what the drive meant to tell, with its noise, before rounding; of a
    wrapping field unwrapped."""

    @property
    def first_bit(self) -> int:
        """The place of the lowest bit."""
        return self.places[0]

    @property
    def bits(self) -> int:
        """How many bits it has."""
        return len(self.places)


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterTruth:
    """A number that steps by one with each frame sent."""

    places: tuple[int, ...]
    per_identifier: bool
    """It counts the frames of the identifier; else those of the kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumTruth:
    """One byte that is computed of others.

    CRC-8 after the usual parameters: `polynomial` without its highest term, `start`, `is_reflected`
    (both of input and output), `final_xor`. XOR and sum begin with `start` as well.
    """

    family: str
    """"xor", "sum" or "crc8"."""
    byte: int
    covered: tuple[int, ...]
    """The bytes of the payload that it covers, in order."""
    identifier_bytes: tuple[int, ...]
    """Bytes of the identifier that come before them."""
    polynomial: int
    start: int
    final_xor: int
    is_reflected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class KindTruth:
    """One kind of frame, and which rows of the traffic are of it."""

    identifier: int
    is_extended: bool
    is_request: bool
    """A controller sends it."""
    selector_places: tuple[int, ...]
    """Places of the multiplexer, lowest first; empty: the identifier alone tells the kind."""
    selector_value: int
    length: int
    rate: float
    """Frames a second."""
    fields: tuple[FieldTruth, ...]
    counter: CounterTruth | None
    checksum: ChecksumTruth | None
    rows: Ints
    """Rows of the traffic, in order of time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeighbourTruth:
    """Another joint on the bus."""

    identifiers: tuple[int, ...]
    motion: str
    """"still", "between" (moves between the steps) or "unannounced" (moves all the time)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of the drive and its traffic."""

    kinds: tuple[KindTruth, ...]
    neighbours: tuple[NeighbourTruth, ...]
    steps: Marks
    """When the steps really were."""
    gear: float
    turn_rad: float
    """How far the turn really went."""
    ambient_degC: float  # noqa: N815 - the unit is written so
    supply_V: float  # noqa: N815 - the same
    mass_kg: float
    is_by_hand: bool
    """The turn was made by hand, with the controller off."""
    lost_share: float
    grid_s: Floats
    """Shape (m,): times of `courses`."""
    courses: dict[str, Floats]
    """What really was, shape (m,) each: position (rad), speed (rad/s) and torque (N m, of the
    motor, at the output), voltage (V), temperatures (degC)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveTraffic:
    """n frames as received, in order of time, and what belongs to them."""

    time_s: Floats
    identifier: Ints
    extended: NDArray[np.bool_]
    data: NDArray[np.uint8]
    """Shape (n, 64), zero beyond `length`."""
    length: Ints
    marks: Marks
    """As the person pressed them."""
    typed: Typed
    truth: Truth
