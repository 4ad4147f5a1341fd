"""How a frame lays its values out in bytes: the model of a layout file.

A layout names the frames that a joint sends, those that a controller sends it, and where every
value stands in them. Gears and everything else of a particular bench belong to the bench file.
Pure: the caller reads the text. value.py draws how bits are counted.
"""

import re
from importlib import resources
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field, model_validator

from logger.errors import InputError
from logger.joint.batch import CLASSIC_BYTES
from logger.joint.bench.frame_checks import Checksum, FrameCounter
from logger.joint.bench.identifiers import MAX_EXTENDED_ID, Identifier
from logger.joint.bench.value import BitPosition, Selector, Slot, TextField, Value, ValueMapping
from logger.joint.channels import in_channel_order
from logger.settings_file import SettingError, Settings, did_you_mean, read_toml, validate_settings

__all__ = [
    "PROPOSAL_KEY",
    "DictionaryObject",
    "Frame",
    "Layout",
    "Request",
    "parse_layout",
    "shipped_layout_text",
    "shipped_layouts",
]

MAX_OBJECT_INDEX: Final = 0xFFFF
MAX_SUB_INDEX: Final = 0xFF
MAX_PERIOD_S: Final = 86_400.0
PROPOSAL_KEY: Final = "proposal"
"""The first key of a proposal, which is no layout until it is confirmed."""


def _check_hex_bytes(text: str) -> str:
    compact = text.replace(" ", "")
    if not re.fullmatch(r"([0-9a-fA-F]{2})*", compact):
        raise SettingError("", found=f"{text!r}", expected="bytes in hex such as '41 00'")
    return compact.upper()


HexBytes = Annotated[str, AfterValidator(_check_hex_bytes)]


class Frame(Settings):
    """One kind of frame: how it is recognised and which values it carries."""

    name: str = Field(min_length=1)
    identifier: Identifier
    mask: int | None = Field(default=None, ge=0, le=MAX_EXTENDED_ID)
    extended: bool = False
    begins: HexBytes = ""
    """Leading bytes that distinguish this kind from others on the same identifier."""
    match: tuple[Selector, ...] = ()
    """Fields, anywhere in the payload, that distinguish it from others on the identifier."""
    length: int = Field(ge=0, le=64)
    """Bytes that the frame has at least."""
    exact_length: bool = False
    """It has just so many bytes: frames of another length are of another kind."""
    shared: bool = False
    """The frame carries values of several joints: each takes its own."""
    slot: Slot | None = None
    """Only the joint in this slot has such a frame."""
    echo_within_s: float | None = Field(default=None, gt=0, le=10)
    """The request for it looks the same; this is the frame that follows another of its kind within
    so long. The pause before the next request must be longer."""
    mapped: str | None = Field(default=None, min_length=1)
    """The name under which the bench file (`mapping`) lists the objects of the frame."""
    period_s: float | None = Field(default=None, gt=0, le=MAX_PERIOD_S)
    """How often it comes; a value holds for three of these."""
    hold_s: float | None = Field(default=None, gt=0, le=MAX_PERIOD_S)
    """How long a value holds, where three periods is not right."""
    checksum: Checksum | None = None
    counter: FrameCounter | None = None
    value: tuple[Value, ...] = ()
    part: tuple[TextField, ...] = ()
    """Text fields: reported in words, as events."""
    tells: Literal["change", "each"] = "change"
    """Whether text fields are reported where they change, or with every frame."""
    event: Literal["fault", "state"] = "state"
    """What kind of event the parts make."""

    @model_validator(mode="after")
    def _check_frame(self) -> "Frame":
        bit_user = self._places_by_key()
        for number, value in enumerate(self.value):
            if any(
                value.channel == other.channel and _of_one_joint(value.slot, other.slot)
                for other in self.value[:number]
            ):
                raise SettingError(
                    "", f"frame {self.name!r}: {value.channel}: found twice, expected once."
                )
            self._check_within(value, value.channel)
            for byte, bit in value.bit_places:
                if (byte, bit) in bit_user:
                    raise SettingError(
                        "",
                        f"frame {self.name!r}: {value.channel}: byte {byte} bit {bit} is "
                        f"already taken by {bit_user[(byte, bit)]}.",
                    )
                bit_user[(byte, bit)] = value.channel
        for part in self.part:
            self._check_within(part, f"part {part.name!r}")
        return self

    def _places_by_key(self) -> dict[tuple[int, int], str]:
        """Return the places of what is no value, and the key that sets each."""
        begin_length = len(self.begins) // 2
        if begin_length > self.length:
            raise SettingError(
                "",
                f"frame {self.name!r}: begins: found {begin_length} bytes in a frame of "
                f"{self.length}.",
            )
        bit_user = {(byte, bit): "begins" for byte in range(begin_length) for bit in range(8)}
        named: list[tuple[str, BitPosition]] = [
            (f"match[{number}]", match) for number, match in enumerate(self.match, start=1)
        ]
        if self.checksum is not None:
            self._check_covered(self.checksum)
            named.append(("checksum", BitPosition(byte=self.checksum.byte, bits=8)))
        if self.counter is not None:
            named.append(("counter", self.counter))
        for key, position in named:
            self._check_within(position, key)
            for byte, bit in position.bit_places:
                if (byte, bit) in bit_user:
                    raise SettingError(
                        "",
                        f"frame {self.name!r}: {key}: byte {byte} bit {bit} is "
                        f"already taken by {bit_user[(byte, bit)]}.",
                    )
                bit_user[(byte, bit)] = key
        return bit_user

    def _check_covered(self, checksum: Checksum) -> None:
        covered = checksum.covered_bytes(self.length)
        if not covered or covered[-1] >= self.length:
            raise SettingError(
                "",
                f"frame {self.name!r}: checksum.covers: found {list(checksum.covers or ())}, "
                f"expected bytes of 0 to {self.length - 1} beside byte {checksum.byte}.",
            )

    def _check_within(self, position: BitPosition, description: str) -> None:
        last = max(byte for byte, _ in position.bit_places)
        if last >= self.length:
            has = f"{self.length} bytes (0 to {self.length - 1})" if self.length else "no bytes"
            raise SettingError(
                "",
                f"frame {self.name!r}: {description}: reaches byte {last}, but the frame has "
                f"{has}.",
            )

    @property
    def required_bits(self) -> dict[tuple[int, int], int]:
        """The (byte, bit) places of the distinguishing bits, and the bit in each."""
        begin_bytes = bytes.fromhex(self.begins)
        bits = {
            (byte, bit): begin_bytes[byte] >> bit & 1
            for byte in range(len(begin_bytes))
            for bit in range(8)
        }
        for match in self.match:
            bits.update(match.required_bits)
        return bits


class DictionaryObject(ValueMapping):
    """One entry of a drive's object dictionary, as the bench file maps them into frames."""

    index: int = Field(ge=0, le=MAX_OBJECT_INDEX)
    sub: int = Field(default=0, ge=0, le=MAX_SUB_INDEX)
    name: str = ""
    bits: int = Field(ge=1, le=64)
    signed: bool = False
    user_units: bool = False
    """What one count is depends on a setting of the drive: the bench file has to give it."""

    @model_validator(mode="after")
    def _check_object(self) -> "DictionaryObject":
        # Everything that a value must be, an object must be; it has no place yet.
        self.value_at(byte=0, bit=0)
        return self

    def value_at(self, *, byte: int, bit: int) -> Value:
        """Return the value that the object is at a place of a frame, low bits first."""
        own_keys = {"index", "sub", "name", "user_units"}
        fields = {key: value for key, value in self.written_keys.items() if key not in own_keys}
        return Value(**fields, byte=byte, bit=bit)


class Request(Settings):
    """A frame that has to be sent so that the joint answers."""

    name: str = Field(min_length=1)
    identifier: Identifier
    extended: bool = False
    data: HexBytes = ""
    slot: Slot | None = None
    """Only the joint in this slot is asked so."""
    period_s: float = Field(gt=0, le=MAX_PERIOD_S)
    answer: tuple[str, ...] = ()
    """Names of the frames that answer it; any of them does. Left away: see `response_frames_of`."""

    @model_validator(mode="after")
    def _check_request(self) -> "Request":
        count = len(self.data) // 2
        if count > CLASSIC_BYTES:
            raise SettingError(
                "",
                f"request {self.name!r}: data: found {count} bytes, expected at "
                f"most {CLASSIC_BYTES}.",
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
    object: tuple[DictionaryObject, ...] = ()
    """Entries of the drive's object dictionary, for frames that are mapped in the bench file."""

    @model_validator(mode="after")
    def _check_layout(self) -> "Layout":
        if self.nodes is not None and not 0 <= self.nodes[0] <= self.nodes[1]:
            raise SettingError(
                "nodes",
                found=f"{list(self.nodes)}",
                expected="the smallest node and then the largest",
            )
        entry_keys = [(entry.index, entry.sub) for entry in self.object]
        for number, (index, sub) in enumerate(entry_keys):
            if (index, sub) in entry_keys[:number]:
                raise SettingError(
                    "",
                    f"object[{number + 1}]: found 0x{index:04X}:{sub} twice, expected "
                    "each object once.",
                )
        names = [frame.name for frame in self.frame]
        for name in names:
            if names.count(name) > 1:
                raise SettingError(
                    "", f"frame {name!r}: found twice, expected one frame of each name."
                )
        self._check_one_position()
        return self

    def _check_one_position(self) -> None:
        """Refuse two frames that tell one joint's position where an encoder has to be unwrapped."""
        carrying = [
            (frame.name, value.slot if frame.slot is None else frame.slot)
            for frame in self.frame
            for value in frame.value
            if value.channel == "position_rad"
        ]
        if not any(value.encoder for frame in self.frame for value in frame.value):
            return
        for number, (name, slot) in enumerate(carrying):
            for other_name, other_slot in carrying[:number]:
                if name != other_name and _of_one_joint(slot, other_slot):
                    raise SettingError(
                        "",
                        f"frame {name!r}: position_rad: found beside that of frame "
                        f"{other_name!r}; where a single-turn encoder tells the position, "
                        "expected one frame that carries it.",
                    )

    @model_validator(mode="after")
    def _check_answers(self) -> "Layout":
        names = [frame.name for frame in self.frame]
        for request in self.request:
            for name in request.answer:
                if name not in names:
                    raise SettingError(
                        "",
                        f"request {request.name!r}: answer: found {name!r}, expected the "
                        f"name of a frame of this layout.{did_you_mean(name, names)}",
                    )
        return self

    def response_frames_of(self, request: Request) -> tuple[int, ...]:
        """Return the places in `frame` of those that answer a request.

        Those that the request names; else those whose leading bytes are the request's; else, where
        there is only one frame or only one request, every frame; else none, and then it is unknown
        whether it was answered.
        """
        frame_indices = range(len(self.frame))
        if request.answer:
            return tuple(
                frame_index
                for frame_index in frame_indices
                if self.frame[frame_index].name in request.answer
            )
        same_shape = tuple(
            frame_index
            for frame_index in frame_indices
            if self.frame[frame_index].begins
            and request.data.startswith(self.frame[frame_index].begins)
        )
        if same_shape:
            return same_shape
        return tuple(frame_indices) if len(self.frame) == 1 or len(self.request) == 1 else ()

    @property
    def slots(self) -> tuple[int, ...]:
        """The slots that the layout names, in order; empty where it is the same for all joints."""
        named: set[int | None] = {request.slot for request in self.request}
        for frame in self.frame:
            named |= {frame.slot, *(value.slot for value in frame.value)}
            named |= {part.slot for part in frame.part}
        return tuple(sorted(slot for slot in named if slot is not None))

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that the layout carries, in canonical order."""
        return in_channel_order(value.channel for frame in self.frame for value in frame.value)


def _of_one_joint(slot: int | None, other: int | None) -> bool:
    """Return whether what is of two slots can be of one joint; None is of every joint."""
    return slot is None or other is None or slot == other


def parse_layout(text: str, where: str) -> Layout:
    """Return the layout that a TOML text describes; `where` names it in errors.

    Raises
    ------
    InputError
        It is none; or it is a proposal, that a person has to confirm first.
    """
    content = read_toml(text, where)
    if PROPOSAL_KEY in content:
        raise InputError(
            f"{where}: this is a proposal and no layout yet; expected one whose values a person "
            f"has confirmed: dutytrace layout confirm {where}"
        )
    return validate_settings(Layout, content, where)


def shipped_layouts() -> tuple[str, ...]:
    """Return the names of the layouts that ship."""
    folder = resources.files("logger.joint") / "layouts"
    return tuple(
        sorted(
            item.name.removesuffix(".toml")
            for item in folder.iterdir()
            if item.name.endswith(".toml")
        )
    )


def shipped_layout_text(name: str) -> str | None:
    """Return the text of a shipped layout, or None."""
    if name not in shipped_layouts():
        return None
    return (resources.files("logger.joint") / "layouts" / f"{name}.toml").read_text("utf-8")
