"""One value in a frame: its position in the bytes, and what one count of it means.

Pure. Bits are placed as in most manuals, counted from 0 within a byte, bit 0 the least
significant::

    byte                   1                               2
    bit       7   6   5   4   3   2   1   0   7   6   5   4   3   2   1   0
           +---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+
    little | v7| v6| v5| v4| v3| v2| v1| v0|  .|  .|  .|  .|v11|v10| v9| v8|  byte=1 bit=0 bits=12
    big    |v11|v10| v9| v8| v7| v6| v5| v4| v3| v2| v1| v0|  .|  .|  .|  .|  byte=1 bit=7 bits=12
           +---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+

`bit` is where the value begins: its least significant bit for order = "little", its most
significant for order = "big".
"""

import difflib
import re
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field, model_validator

from logger.joint.bench.code_names import (
    CODE_BITS,
    RAW_NUMBER,
    CodeNames,
    FlagNames,
    parse_code,
)
from logger.joint.channels import channel_named, explain_channel_name, is_channel
from logger.joint.quantities import INPUT_UNITS
from logger.settings_file import SettingError, Settings

__all__ = [
    "SHARE_FACTORS",
    "BitPosition",
    "ChannelName",
    "Encoder",
    "Ntc",
    "Origin",
    "Selector",
    "TextField",
    "Value",
    "ValueMapping",
]

MESSAGE_BITS: Final = 56
"""The most bits of a text field without names."""
MAX_COUNTS: Final = 2**32
MAX_TURNS: Final = 2**31
FLOAT_BITS: Final = (16, 32, 64)
SHARE_FACTORS: Final = {"per_mille": 1e-3, "per_cent": 1e-2}
"""Units that are shares of a base in the bench file (`per_mille`, else `rated`)."""
SHARED_QUANTITIES: Final = frozenset({"current", "torque", "voltage"})
"""Quantities that a drive reports as a share of a rated value."""

_RANGE_PATTERN = re.compile(rf"\s*(?P<low>{RAW_NUMBER})\s*\.\.\s*(?P<high>{RAW_NUMBER})\s*")


def _check_channel_name(name: str) -> str:
    if not is_channel(name):
        expected, hint = explain_channel_name(name)
        raise SettingError("", found=f"{name!r}", expected=expected, hint=hint)
    return name


ChannelName = Annotated[str, AfterValidator(_check_channel_name)]


def _check_codes_fit(position: "BitPosition", names: dict[str, str], flags: dict[str, str]) -> None:
    """Refuse a code or a flag that does not fit into the bits; ValueError."""
    lowest, highest = position.raw_range
    for written in names:
        code, mask = parse_code(written)
        # A mask applies to the bits, so a negative number counts as unsigned.
        highest_code = highest if mask is None else (1 << position.bits) - 1
        if not lowest <= code <= highest_code:
            raise SettingError(
                "names",
                found=f"{written!r}",
                expected=f"a code of {position.bits} bits, {lowest} to {highest_code}",
            )
    for written in flags:
        if int(written) >= position.bits:
            raise SettingError(
                "flags",
                found=f"{written!r}",
                expected=f"the number of a bit, 0 to {position.bits - 1}",
            )


Slot = Annotated[int, Field(ge=0, le=63)]
"""A joint among those that one frame, or one drive, serves; counted from 0."""


class Ntc(Settings):
    """A thermistor: R = R25 * exp(B * (1/T - 1/298.15)), T in kelvin."""

    r25_ohm: float = Field(gt=0)
    b_K: float = Field(gt=0)  # noqa: N815 - the kelvin is a capital K


class Encoder(Settings):
    """The value is an encoder's count, which starts again somewhere."""

    counts: int = Field(
        gt=1, le=MAX_COUNTS, description="counts of one turn of the shaft that it sits on"
    )
    turns: int = Field(default=1, ge=1, le=MAX_TURNS)
    """Turns that the encoder itself counts before it starts again; 1: it is a single-turn one."""

    @property
    def modulus(self) -> int:
        """Counts after which it starts again."""
        return self.counts * self.turns


class BitPosition(Settings):
    """The position of a whole number in a frame."""

    byte: int = Field(default=0, ge=0, le=63)
    bit: int | None = Field(default=None, ge=0, le=7)
    bits: int = Field(ge=1, le=64)
    order: Literal["little", "big"] = "little"
    signed: bool = False

    @property
    def raw_range(self) -> tuple[int, int]:
        """The smallest and the largest raw value."""
        if self.signed:
            return -(1 << (self.bits - 1)), (1 << (self.bits - 1)) - 1
        return 0, (1 << self.bits) - 1

    @property
    def first_bit(self) -> int:
        """Where the value begins within its byte."""
        if self.bit is not None:
            return self.bit
        return 0 if self.order == "little" else 7

    @property
    def bit_places(self) -> tuple[tuple[int, int], ...]:
        """The (byte, bit) places that the value takes, least significant first."""
        if self.order == "little":
            start = self.byte * 8 + self.first_bit
            return tuple(divmod(start + i, 8) for i in range(self.bits))
        start = self.byte * 8 + 7 - self.first_bit
        return tuple(
            (bit_number // 8, 7 - bit_number % 8)
            for bit_number in range(start + self.bits - 1, start - 1, -1)
        )


class Selector(BitPosition):
    """A field with a fixed value, which distinguishes this kind of frame from others."""

    equals: int

    @model_validator(mode="after")
    def _check_selector(self) -> "Selector":
        lowest, highest = self.raw_range
        if not lowest <= self.equals <= highest:
            raise SettingError(
                "equals",
                found=f"{self.equals}",
                expected=f"a raw value of {self.bits} bits, {lowest} to {highest}",
            )
        return self

    @property
    def required_bits(self) -> dict[tuple[int, int], int]:
        """The (byte, bit) places, and the bit that each must have."""
        return {
            bit_place: self.equals >> number & 1 for number, bit_place in enumerate(self.bit_places)
        }


class TextField(BitPosition):
    """A field that is reported in words where it changes (or with every frame)."""

    name: str = Field(min_length=1)
    slot: Slot | None = None
    """Only of the joint in this slot, where one frame carries those of several."""
    names: CodeNames = Field(default_factory=dict)
    """Raw value, or "value/mask", -> what it is called; the first that fits."""
    flags: FlagNames = Field(default_factory=dict)
    """Number of a bit -> what it means when it is set."""
    restart: int | None = None
    """The raw value with which the joint reports that it was just switched on."""

    @model_validator(mode="after")
    def _check_text_field(self) -> "TextField":
        max_code = CODE_BITS if self.names or self.flags else MESSAGE_BITS
        if self.bits > max_code:
            raise SettingError(
                "bits", found=f"{self.bits}", expected=f"at most {max_code} of a code"
            )
        _check_codes_fit(self, self.names, self.flags)
        lowest, highest = self.raw_range
        if self.restart is not None and not lowest <= self.restart <= highest:
            raise SettingError(
                "restart",
                found=f"{self.restart}",
                expected=f"a raw value of {self.bits} bits, {lowest} to {highest}",
            )
        return self


class Origin(Settings):
    """Where a value was found, for one that was proposed from traffic and not written by a person.

    `bits` of a value beyond `seen_bits` never changed: they are assumed, as is what `assumed`
    names. Nothing is decoded by it; it stays in the file so that it can be told for ever.
    """

    state: Literal["confirmed", "corrected"]
    by: str = Field(min_length=1)
    """Who said so."""
    on: str = Field(min_length=1)
    """When, ISO 8601."""
    source: str = ""
    """The recording or log that it was found in, by name and SHA-256."""
    seen_bits: int = Field(ge=1, le=64)
    assumed: tuple[Literal["meaning", "scale", "upper bits", "zero"], ...] = ()


class ValueMapping(Settings):
    """What a raw value means: its channel, and the way from counts to the channel's unit."""

    channel: ChannelName
    type: Literal["integer", "float"] = "integer"
    """"float": the bits are an IEEE 754 number of 16, 32 or 64 bits, not a whole one."""
    scale: float = 1.0
    offset: float = 0.0
    unit: str | None = None
    """Unit of raw * scale + offset; default the channel's own. "per_mille" and "per_cent" are
    shares of what the bench file calls one whole."""
    per_turn: float | None = Field(default=None, gt=0)
    """Counts of one turn, where position or speed count so: in place of scale and unit."""
    side: Literal["output", "motor"] = "output"
    """Where it is measured: speed and position of the motor side are divided by the gear ratio, its
    torque is multiplied by it."""
    encoder: Encoder | None = None
    resistance: Literal["pt100"] | Ntc | None = None
    """The scaled value is the resistance in ohm of this sensor."""
    no_value: tuple[int | str, ...] = ()
    """Raw values that mean "no value": numbers, or ranges such as "0xFB..0xFF"; of a float its
    bits as a number. A float that is no finite number is none anyway."""
    names: CodeNames = Field(default_factory=dict)
    """Of a code: raw value, or "value/mask", -> what it is called; the first that fits."""
    flags: FlagNames = Field(default_factory=dict)
    """Of a code: number of a bit -> what it means when it is set."""


class Value(ValueMapping, BitPosition):
    """One value in a frame: its position, and what one count of it means."""

    byte: int = Field(ge=0, le=63)
    slot_bytes: int = Field(default=0, ge=0, le=63)
    """Bytes from one joint's value to the next where one frame carries those of several: the value
    is at byte + slot * slot_bytes, the slot named in the bench file."""
    slot: Slot | None = None
    """The value is only of the joint in this slot, where those of several have no even spacing."""
    origin: Origin | None = None
    """How a value came here that was proposed from traffic (`dutytrace layout find`)."""

    @model_validator(mode="after")
    def _check_value(self) -> "Value":
        channel = channel_named(self.channel)
        quantity = channel.quantity
        self._check_unit(quantity)
        if self.scale == 0:
            raise SettingError("scale", found="0", expected="the step of one count")
        if self.type == "float":
            self._check_float()
        if self.encoder is not None:
            self._check_encoder(self.encoder)
        if self.resistance is not None and quantity != "temperature":
            raise SettingError(
                "resistance", found=f"on {self.channel}", expected="on a temperature"
            )
        if self.resistance is not None and self.unit is not None:
            raise SettingError(
                "unit",
                f"found {self.unit!r} beside resistance; the scaled value is in "
                "ohm, and the sensor gives degC. Remove the key.",
            )
        if channel.whole and (self.bits > CODE_BITS or self.scale != 1 or self.offset != 0):
            raise SettingError(
                "",
                f"{self.channel}: found {self.bits} bits, scale {self.scale:g}, "
                f"offset {self.offset:g}; a code has at most {CODE_BITS} bits, no "
                "scale and no offset.",
            )
        for key in ("names", "flags"):
            if getattr(self, key) and not channel.whole:
                raise SettingError(
                    key, found=f"on {self.channel}", expected="on a code (fault_code, state_code)"
                )
        _check_codes_fit(self, self.names, self.flags)
        if self.side == "motor" and quantity not in {"speed", "position", "torque"}:
            raise SettingError(
                "side",
                f"found 'motor' on {self.channel}; the gear turns speed, position and torque.",
            )
        self._check_no_value()
        if self.slot is not None and self.slot_bytes:
            raise SettingError(
                "slot",
                "found beside slot_bytes; expected one of them: slot for a value of one joint, "
                "slot_bytes where each joint's follows the other's.",
            )
        return self

    def _check_unit(self, quantity: str) -> None:
        units = [*INPUT_UNITS[quantity], *(SHARE_FACTORS if quantity in SHARED_QUANTITIES else ())]
        if self.unit is not None and self.unit not in units:
            close = difflib.get_close_matches(self.unit, units, n=1)
            hint = f" (did you mean {close[0]!r}?)" if close else ""
            raise SettingError(
                "unit", found=f"{self.unit!r}", expected=f"one of {', '.join(units)}{hint}"
            )
        if self.per_turn is None:
            return
        if quantity not in {"position", "speed"}:
            raise SettingError(
                "per_turn", found=f"on {self.channel}", expected="on a position or a speed"
            )
        if self.scale != 1 or self.offset != 0 or self.unit is not None or self.encoder is not None:
            raise SettingError(
                "per_turn",
                "found beside scale, offset, unit or encoder; it says alone what "
                "one count is worth. Remove them.",
            )

    def _check_float(self) -> None:
        if self.bits not in FLOAT_BITS:
            raise SettingError(
                "type", found=f"'float' with {self.bits} bits", expected="16, 32 or 64 (IEEE 754)"
            )
        if self.signed or self.encoder is not None or channel_named(self.channel).whole:
            raise SettingError(
                "type", "found 'float' with signed, with an encoder or on a code; expected none."
            )

    def _check_encoder(self, encoder: Encoder) -> None:
        if self.channel != "position_rad":
            raise SettingError(
                "encoder", found=f"on {self.channel}", expected="on position_rad only"
            )
        if encoder.modulus > 1 << self.bits:
            turns_text = "" if encoder.turns == 1 else f" times {encoder.turns} turns"
            raise SettingError(
                "encoder.counts",
                found=f"{encoder.counts}{turns_text}",
                expected=f"at most {1 << self.bits}: {self.bits} bits start again there",
            )
        if self.scale != 1 or self.offset != 0 or self.unit is not None:
            raise SettingError(
                "encoder",
                "found with scale, offset or unit; counts says what one count is "
                "worth. Remove them.",
            )

    def _check_no_value(self) -> None:
        lowest, highest = (0, (1 << self.bits) - 1) if self.type == "float" else self.raw_range
        sign = "signed" if self.signed else "unsigned"
        for low, high in self.absent_ranges:
            if low > high:
                raise SettingError(
                    "no_value",
                    found=f"{low}..{high}",
                    expected=f"the lower end first: {high}..{low}",
                )
            if not lowest <= low <= high <= highest:
                written = low if low == high else f"{low}..{high}"
                raise SettingError(
                    "no_value",
                    found=f"{written}",
                    expected=f"a raw value of {self.bits} {sign} bits, {lowest} to {highest}",
                )

    @property
    def absent_ranges(self) -> tuple[tuple[int, int], ...]:
        """Ranges of raw values that mean "no value", both ends included; ValueError."""
        ranges = []
        for written in self.no_value:
            if isinstance(written, int):
                ranges.append((written, written))
                continue
            match = _RANGE_PATTERN.fullmatch(written)
            if match is None:
                raise SettingError(
                    "no_value",
                    found=f"{written!r}",
                    expected="a raw value such as -128, or a range such as '0xFB..0xFF'",
                )
            ranges.append((int(match["low"], 0), int(match["high"], 0)))
        return tuple(ranges)
