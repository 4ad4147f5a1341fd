"""How a frame lays its values out in bytes: the model of a layout file.

A layout names the frames that a joint sends and where every value stands in them. It knows nothing
of gears or of a particular bench: that is the bench file's part. Pure; the text is read by whoever
has it. Bits are placed as in most manuals, counted from 0 within a byte, bit 0 the least
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

import re
from importlib import resources
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field, model_validator

from logger.errors import InputError
from logger.joint.channels import CHANNELS, INPUT_UNITS
from logger.settings_file import Settings, checked, nearest, read_toml

__all__ = [
    "Encoder",
    "Frame",
    "Layout",
    "Ntc",
    "Request",
    "Value",
    "identifier_for",
    "layout_from",
    "shipped",
    "shipped_text",
]

STANDARD_MOST: Final = 0x7FF
EXTENDED_MOST: Final = 0x1FFFFFFF
CLASSIC_BYTES: Final = 8
CODE_BITS: Final = 32
COUNTS_MOST: Final = 2**32
DAY_S: Final = 86_400.0

_IDENTIFIER = re.compile(
    r"(?P<base>0x[0-9a-fA-F]+|[0-9]+)(\s*\+\s*node(\s*\*\s*(?P<step>0x[0-9a-fA-F]+|[0-9]+))?)?"
)


def _identifier(text: str | int) -> str:
    written = str(text)
    if not _IDENTIFIER.fullmatch(written):
        raise ValueError(
            f"found {written!r}, expected an identifier such as 0x280, '0x280 + node' "
            "or '0x280 + node * 4'."
        )
    return written


def _hex_bytes(text: str) -> str:
    compact = text.replace(" ", "")
    if not re.fullmatch(r"([0-9a-fA-F]{2})*", compact):
        raise ValueError(f"found {text!r}, expected bytes in hex such as '41 00'.")
    return compact.upper()


def _channel(name: str) -> str:
    if name not in CHANNELS:
        raise ValueError(f"found {name!r}, expected a channel.{nearest(name, list(CHANNELS))}")
    return name


Identifier = Annotated[str | int, AfterValidator(_identifier)]
HexBytes = Annotated[str, AfterValidator(_hex_bytes)]
ChannelName = Annotated[str, AfterValidator(_channel)]


class Ntc(Settings):
    """A thermistor: R = R25 * exp(B * (1/T - 1/298.15)), T in kelvin."""

    r25_ohm: float = Field(gt=0)
    b_K: float = Field(gt=0)  # noqa: N815 - the kelvin is a capital K


class Encoder(Settings):
    """The value is a single-turn encoder: it starts again after `counts`."""

    counts: int = Field(
        gt=1, le=COUNTS_MOST, description="counts of one turn of the shaft that it sits on"
    )


class Value(Settings):
    """One value in a frame: where it stands, and what one count of it means."""

    channel: ChannelName
    byte: int = Field(ge=0, le=63)
    bit: int | None = Field(default=None, ge=0, le=7)
    bits: int = Field(ge=1, le=64)
    order: Literal["little", "big"] = "little"
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str | None = None
    """Unit of raw * scale + offset; default the channel's own."""
    side: Literal["output", "motor"] = "output"
    """Where it is measured: speed and position of the motor side are divided by the gear ratio, its
    torque is multiplied by it."""
    encoder: Encoder | None = None
    resistance: Literal["pt100"] | Ntc | None = None
    """The scaled value is the resistance in ohm of this sensor."""
    no_value: tuple[int, ...] = ()
    """Raw values that mean "no value"."""

    @model_validator(mode="after")
    def _fits(self) -> "Value":
        channel = CHANNELS[self.channel]
        units = INPUT_UNITS[channel.quantity]
        if self.unit is not None and self.unit not in units:
            raise ValueError(f"unit: found {self.unit!r}, expected one of {', '.join(units)}.")
        if self.scale == 0:
            raise ValueError("scale: found 0, expected the worth of one count.")
        if self.encoder is not None:
            self._fits_encoder(self.encoder)
        if self.resistance is not None and channel.quantity != "temperature":
            raise ValueError(f"resistance: found on {self.channel}, expected on a temperature.")
        if self.resistance is not None and self.unit is not None:
            raise ValueError(
                f"unit: found {self.unit!r} beside resistance; the scaled value is in ohm, and the "
                "sensor gives degC. Remove the key."
            )
        if channel.whole and (self.bits > CODE_BITS or self.scale != 1 or self.offset != 0):
            raise ValueError(
                f"{self.channel}: found {self.bits} bits, scale {self.scale:g}, offset "
                f"{self.offset:g}; a code has at most {CODE_BITS} bits, no scale and no offset."
            )
        if self.side == "motor" and channel.quantity not in {"speed", "position", "torque"}:
            raise ValueError(
                f"side: found 'motor' on {self.channel}; the gear turns speed, position and torque."
            )
        lowest, highest = self.raw_range
        for raw in self.no_value:
            if not lowest <= raw <= highest:
                sign = "signed" if self.signed else "unsigned"
                raise ValueError(
                    f"no_value: found {raw}, expected a raw value of {self.bits} {sign} bits, "
                    f"{lowest} to {highest}."
                )
        return self

    def _fits_encoder(self, encoder: Encoder) -> None:
        if self.channel != "position_rad":
            raise ValueError(f"encoder: found on {self.channel}, expected on position_rad only.")
        if self.signed:
            raise ValueError("encoder: found with signed = true; a single-turn count is unsigned.")
        if encoder.counts > 1 << self.bits:
            raise ValueError(
                f"encoder.counts: found {encoder.counts}, expected at most {1 << self.bits}: "
                f"{self.bits} bits start again there."
            )
        if self.scale != 1 or self.offset != 0 or self.unit is not None:
            raise ValueError(
                "encoder: found with scale, offset or unit; counts says what one count is worth. "
                "Remove them."
            )

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
    def places(self) -> tuple[tuple[int, int], ...]:
        """The (byte, bit) places that the value takes, least significant first."""
        if self.order == "little":
            start = self.byte * 8 + self.first_bit
            return tuple(divmod(start + i, 8) for i in range(self.bits))
        start = self.byte * 8 + 7 - self.first_bit
        return tuple(
            (place // 8, 7 - place % 8) for place in range(start + self.bits - 1, start - 1, -1)
        )


class Frame(Settings):
    """One kind of frame: how it is recognised and which values it carries."""

    name: str = Field(min_length=1)
    identifier: Identifier
    mask: int | None = Field(default=None, ge=0, le=EXTENDED_MOST)
    extended: bool = False
    begins: HexBytes = ""
    """Leading bytes that tell this kind from others on the same identifier."""
    length: int = Field(ge=0, le=64)
    """Bytes that the frame has at least."""
    period_s: float | None = Field(default=None, gt=0, le=DAY_S)
    """How often it comes; a value holds for three of these."""
    hold_s: float | None = Field(default=None, gt=0, le=DAY_S)
    """How long a value holds, where three periods is not right."""
    value: tuple[Value, ...] = ()

    @model_validator(mode="after")
    def _fits(self) -> "Frame":
        lead = len(self.begins) // 2
        if lead > self.length:
            raise ValueError(
                f"frame {self.name!r}: begins: found {lead} bytes in a frame of {self.length}."
            )
        taken: dict[tuple[int, int], str] = {
            (byte, bit): "begins" for byte in range(lead) for bit in range(8)
        }
        seen: set[str] = set()
        for value in self.value:
            if value.channel in seen:
                raise ValueError(
                    f"frame {self.name!r}: {value.channel}: found twice, expected once."
                )
            seen.add(value.channel)
            for byte, bit in value.places:
                if byte >= self.length:
                    raise ValueError(
                        f"frame {self.name!r}: {value.channel}: reaches byte {byte}, but the frame "
                        f"has {self.length} bytes (0 to {self.length - 1})."
                    )
                if (byte, bit) in taken:
                    raise ValueError(
                        f"frame {self.name!r}: {value.channel}: byte {byte} bit {bit} is already "
                        f"taken by {taken[(byte, bit)]}."
                    )
                taken[(byte, bit)] = value.channel
        return self


class Request(Settings):
    """A frame that has to be sent so that the joint answers."""

    name: str = Field(min_length=1)
    identifier: Identifier
    extended: bool = False
    data: HexBytes = ""
    period_s: float = Field(gt=0, le=DAY_S)
    answer: tuple[str, ...] = ()
    """Names of the frames that answer it; any of them does. Left away: see `answers_to`."""

    @model_validator(mode="after")
    def _fits(self) -> "Request":
        count = len(self.data) // 2
        if count > CLASSIC_BYTES:
            raise ValueError(
                f"request {self.name!r}: data: found {count} bytes, expected at most "
                f"{CLASSIC_BYTES}."
            )
        return self


class Layout(Settings):
    """A layout file: the frames of one kind of joint."""

    format: Literal[1]
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$")
    about: str = ""
    frame: tuple[Frame, ...] = Field(min_length=1)
    request: tuple[Request, ...] = ()

    @model_validator(mode="after")
    def _fits(self) -> "Layout":
        carriers = [
            frame.name
            for frame in self.frame
            if any(value.channel == "position_rad" for value in frame.value)
        ]
        if len(carriers) > 1 and any(
            value.encoder for frame in self.frame for value in frame.value
        ):
            raise ValueError(
                f"frame {carriers[1]!r}: position_rad: found beside that of frame "
                f"{carriers[0]!r}; where a single-turn encoder tells the position, expected one "
                "frame that carries it."
            )
        return self

    @model_validator(mode="after")
    def _answers_are_frames(self) -> "Layout":
        names = [frame.name for frame in self.frame]
        for request in self.request:
            for name in request.answer:
                if name not in names:
                    raise ValueError(
                        f"request {request.name!r}: answer: found {name!r}, expected the name of a "
                        f"frame of this layout.{nearest(name, names)}"
                    )
        return self

    def answers_to(self, request: Request) -> tuple[int, ...]:
        """Return the places in `frame` of those that answer a request.

        Those that the request names; else those whose leading bytes are the request's; else, where
        there is only one frame or only one request, every frame; else none, and then nobody knows
        whether it was answered.
        """
        places = range(len(self.frame))
        if request.answer:
            return tuple(place for place in places if self.frame[place].name in request.answer)
        alike = tuple(
            place
            for place in places
            if self.frame[place].begins and request.data.startswith(self.frame[place].begins)
        )
        if alike:
            return alike
        return tuple(places) if len(self.frame) == 1 or len(self.request) == 1 else ()

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that the layout carries, in canonical order."""
        carried = {value.channel for frame in self.frame for value in frame.value}
        return tuple(name for name in CHANNELS if name in carried)


def identifier_for(written: str | int, node: int, *, extended: bool, where: str) -> int:
    """Return the identifier that `written` ("0x280 + node") gives for a node.

    Raises
    ------
    InputError
        The result does not fit 11 (or 29) bits.
    """
    match = _IDENTIFIER.fullmatch(str(written))
    if match is None:
        raise InputError(f"{where}: found {written!r}, expected an identifier such as 0x280.")
    number = _number(match["base"])
    if "node" in str(written):
        number += node * _number(match["step"] or "1")
    most = EXTENDED_MOST if extended else STANDARD_MOST
    if number > most:
        hint = "" if extended else " Set extended = true for a 29-bit identifier."
        raise InputError(
            f"{where}: {written!r} gives 0x{number:X} for node {node}, expected at most "
            f"0x{most:X}.{hint}"
        )
    return number


def _number(digits: str) -> int:
    return int(digits, 16 if digits.lower().startswith("0x") else 10)


def layout_from(text: str, where: str) -> Layout:
    """Return the layout that a TOML text describes; `where` names it in errors."""
    return checked(Layout, read_toml(text, where), where)


def shipped() -> tuple[str, ...]:
    """Return the names of the layouts that ship."""
    folder = resources.files("logger.joint") / "layouts"
    return tuple(
        sorted(
            item.name.removesuffix(".toml")
            for item in folder.iterdir()
            if item.name.endswith(".toml")
        )
    )


def shipped_text(name: str) -> str | None:
    """Return the text of a shipped layout, or None."""
    if name not in shipped():
        return None
    return (resources.files("logger.joint") / "layouts" / f"{name}.toml").read_text("utf-8")
