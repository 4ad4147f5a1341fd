"""How a frame lays its values out in bytes: the model of a layout file.

A layout names the frames that a joint sends, those that a controller sends it, and where every
value stands in them. It knows nothing of gears or of a particular bench: that is the bench file's
part. Pure; the text is read by whoever has it. How bits are counted is drawn in `value`.
"""

import re
from importlib import resources
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field, model_validator

from logger.joint.batch import CLASSIC_BYTES
from logger.joint.bench.identifiers import EXTENDED_MOST, Identifier
from logger.joint.bench.value import Match, Meaning, Part, Place, Value
from logger.joint.channels import CHANNELS
from logger.settings_file import Settings, checked, nearest, read_toml

__all__ = [
    "Frame",
    "Layout",
    "Object",
    "Request",
    "layout_from",
    "shipped",
    "shipped_text",
]

INDEX_MOST: Final = 0xFFFF
SUB_MOST: Final = 0xFF
DAY_S: Final = 86_400.0


def _hex_bytes(text: str) -> str:
    compact = text.replace(" ", "")
    if not re.fullmatch(r"([0-9a-fA-F]{2})*", compact):
        raise ValueError(f"found {text!r}, expected bytes in hex such as '41 00'.")
    return compact.upper()


HexBytes = Annotated[str, AfterValidator(_hex_bytes)]


class Frame(Settings):
    """One kind of frame: how it is recognised and which values it carries."""

    name: str = Field(min_length=1)
    identifier: Identifier
    mask: int | None = Field(default=None, ge=0, le=EXTENDED_MOST)
    extended: bool = False
    begins: HexBytes = ""
    """Leading bytes that tell this kind from others on the same identifier."""
    match: tuple[Match, ...] = ()
    """Fields, wherever they stand, that tell this kind from others on the same identifier."""
    length: int = Field(ge=0, le=64)
    """Bytes that the frame has at least."""
    exact_length: bool = False
    """It has just so many bytes: frames of another length are of another kind."""
    shared: bool = False
    """One frame tells several joints: each takes its own values from it."""
    echo_within_s: float | None = Field(default=None, gt=0, le=10)
    """The request for it looks the same; this is the frame that follows another of its kind within
    so long. The pause before the next request must be longer."""
    mapped: str | None = Field(default=None, min_length=1)
    """The bench file says under this name (`mapping`) which objects the frame carries."""
    period_s: float | None = Field(default=None, gt=0, le=DAY_S)
    """How often it comes; a value holds for three of these."""
    hold_s: float | None = Field(default=None, gt=0, le=DAY_S)
    """How long a value holds, where three periods is not right."""
    value: tuple[Value, ...] = ()
    part: tuple[Part, ...] = ()
    """Fields that are told in words, as events."""
    tells: Literal["change", "each"] = "change"
    """Whether the parts are told where they change, or with every frame."""
    event: Literal["fault", "state"] = "state"
    """What kind of event the parts make."""

    @model_validator(mode="after")
    def _fits(self) -> "Frame":
        taken = self._told_apart()
        seen: set[str] = set()
        for value in self.value:
            if value.channel in seen:
                raise ValueError(
                    f"frame {self.name!r}: {value.channel}: found twice, expected once."
                )
            seen.add(value.channel)
            self._within(value, value.channel)
            for byte, bit in value.places:
                if (byte, bit) in taken:
                    raise ValueError(
                        f"frame {self.name!r}: {value.channel}: byte {byte} bit {bit} is already "
                        f"taken by {taken[(byte, bit)]}."
                    )
                taken[(byte, bit)] = value.channel
        for part in self.part:
            self._within(part, f"part {part.name!r}")
        return self

    def _told_apart(self) -> dict[tuple[int, int], str]:
        """Return which places tell the kind from others, and by which key."""
        lead = len(self.begins) // 2
        if lead > self.length:
            raise ValueError(
                f"frame {self.name!r}: begins: found {lead} bytes in a frame of {self.length}."
            )
        taken = {(byte, bit): "begins" for byte in range(lead) for bit in range(8)}
        for number, match in enumerate(self.match, start=1):
            self._within(match, f"match[{number}]")
            for byte, bit in match.places:
                if (byte, bit) in taken:
                    raise ValueError(
                        f"frame {self.name!r}: match[{number}]: byte {byte} bit {bit} is already "
                        f"taken by {taken[(byte, bit)]}."
                    )
                taken[(byte, bit)] = f"match[{number}]"
        return taken

    def _within(self, place: Place, what: str) -> None:
        last = max(byte for byte, _ in place.places)
        if last >= self.length:
            has = f"{self.length} bytes (0 to {self.length - 1})" if self.length else "no bytes"
            raise ValueError(
                f"frame {self.name!r}: {what}: reaches byte {last}, but the frame has {has}."
            )

    @property
    def required(self) -> dict[tuple[int, int], int]:
        """The (byte, bit) places that tell the kind from others, and what stands in each."""
        lead = bytes.fromhex(self.begins)
        bits = {(byte, bit): lead[byte] >> bit & 1 for byte in range(len(lead)) for bit in range(8)}
        for match in self.match:
            bits.update(match.required)
        return bits


class Object(Meaning):
    """One entry of a drive's object dictionary, as the bench file maps them into frames."""

    index: int = Field(ge=0, le=INDEX_MOST)
    sub: int = Field(default=0, ge=0, le=SUB_MOST)
    name: str = ""
    bits: int = Field(ge=1, le=64)
    signed: bool = False
    user_units: bool = False
    """What one count is worth is set in the drive: the bench file has to say it."""

    @model_validator(mode="after")
    def _fits(self) -> "Object":
        # Everything that a value must be, an object must be; it has no place yet.
        self.placed(byte=0, bit=0)
        return self

    def placed(self, *, byte: int, bit: int) -> Value:
        """Return the value that the object is at a place of a frame, low bits first."""
        own = {"index", "sub", "name", "user_units"}
        fields = {key: value for key, value in self.told.items() if key not in own}
        return Value(**fields, byte=byte, bit=bit)


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
    nodes: tuple[int, int] | None = None
    """The smallest and the largest node that such a joint can have."""
    frame: tuple[Frame, ...] = Field(min_length=1)
    request: tuple[Request, ...] = ()
    object: tuple[Object, ...] = ()
    """Entries of the drive's object dictionary, for frames that are mapped in the bench file."""

    @model_validator(mode="after")
    def _fits(self) -> "Layout":
        if self.nodes is not None and not 0 <= self.nodes[0] <= self.nodes[1]:
            raise ValueError(
                f"nodes: found {list(self.nodes)}, expected the smallest node and then the largest."
            )
        places = [(one.index, one.sub) for one in self.object]
        for number, (index, sub) in enumerate(places):
            if (index, sub) in places[:number]:
                raise ValueError(
                    f"object[{number + 1}]: found 0x{index:04X}:{sub} twice, expected each object "
                    "once."
                )
        names = [frame.name for frame in self.frame]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"frame {name!r}: found twice, expected one frame of each name.")
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
