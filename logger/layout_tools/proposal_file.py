"""A proposed layout as a file: what is proposed of each value, and what a person said about it.

`NAME.proposed.toml` is no layout, and is refused as one. Each value has a `state`: "proposed" until
a person has confirmed, corrected or left it out. A value whose keys were changed counts as
corrected, whatever its state says: `check` is the digest of the keys as they were proposed. When no
value is "proposed" any more, the layout is made of it (`decided_layout`); each value keeps what was
seen of it, what was assumed, who said so and when. Pure.
"""

import hashlib
import json
from typing import Final, Literal

from pydantic import Field, model_validator

from logger.errors import InputError
from logger.joint.bench.frame_checks import Checksum, FrameCounter
from logger.joint.bench.value import BitPosition, Selector
from logger.settings_file import SettingError, Settings, read_toml, validate_settings

__all__ = [
    "FileKind",
    "FileRival",
    "FileValue",
    "ProposalFile",
    "Sureness",
    "check_of",
    "decide",
    "kind_keys",
    "parse_proposal",
    "position_keys",
    "proposal_file_text",
    "quoted",
    "undecided_values",
]

State = Literal["proposed", "confirmed", "corrected", "left out"]
Form = Literal["unsigned", "twos_complement", "offset_binary", "sign_magnitude", "float"]


class Sureness(Settings):
    """Probabilities, 0 to 1, that the place, the meaning and the scale are right."""

    place: float = Field(ge=0, le=1)
    meaning: float = Field(ge=0, le=1)
    scale: float = Field(ge=0, le=1)


class FileRival(Settings):
    """Another reading of the same bits."""

    meaning: str
    scale: float
    offset: float
    bits: int | None = Field(default=None, ge=1, le=64)
    """As many as it takes; None: those of the value."""
    upper_at: tuple[int, int] | None = None
    """Byte and bit where its upper bits begin, if they lie apart."""
    sure: float


class FileValue(BitPosition):
    """One proposed value: number * scale + offset, in the unit of the channel, at the output."""

    state: State
    by: str = ""
    on: str = ""
    meaning: str
    channel: str = ""
    """Empty: it has no meaning that a layout knows; give it one, or leave it out."""
    form: Form
    scale: float | None = None
    offset: float = 0.0
    restarts_at: int | None = Field(default=None, gt=1)
    """Counts after which a position starts again."""
    seen_bits: int = Field(ge=1, le=64)
    sure: Sureness
    reason: str = ""
    rivals: tuple[FileRival, ...] = ()
    check: str = ""

    @model_validator(mode="after")
    def _check_state(self) -> "FileValue":
        if self.state in {"confirmed", "corrected"} and not self.channel:
            raise SettingError("channel", found="none", expected='a channel, or state = "left out"')
        return self


class FileKind(Settings):
    """One kind of frame."""

    name: str
    identifier: str | int
    extended: bool = False
    length: int = Field(ge=0, le=64)
    match: tuple[Selector, ...] = ()
    period_s: float | None = None
    frames: int = 0
    checksum: Checksum | None = None
    counter: FrameCounter | None = None
    seen: str = ""
    """What was seen beside these and cannot be part of a layout."""
    value: tuple[FileValue, ...] = ()


class ProposalFile(Settings):
    """All of a proposal."""

    proposal: Literal[1]
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$")
    source: str = ""
    undecided: tuple[str, ...] = ()
    kind: tuple[FileKind, ...] = Field(min_length=1)

    @property
    def values(self) -> tuple[FileValue, ...]:
        """All values, in the order of the file; they are numbered from 1."""
        return tuple(value for kind in self.kind for value in kind.value)


def parse_proposal(text: str, where: str) -> ProposalFile:
    """Return the proposal of a TOML text; InputError where it is none."""
    content = read_toml(text, where)
    if "proposal" not in content:
        raise InputError(
            f"{where}: found no proposal, expected a file that `dutytrace layout find` wrote."
        )
    return validate_settings(ProposalFile, content, where)


_PROPOSED_KEYS: Final = ("channel", "byte", "bit", "bits", "order", "form", "scale", "offset",
                         "restarts_at")  # fmt: skip


def check_of(value: FileValue) -> str:
    """Return the digest of what is proposed of a value."""
    content = json.dumps([getattr(value, key) for key in _PROPOSED_KEYS])
    return hashlib.sha256(content.encode()).hexdigest()[:12]


def undecided_values(file: ProposalFile) -> list[int]:
    """Return the numbers, from 1, of the values that nobody has decided about."""
    return [number for number, value in enumerate(file.values, 1) if value.state == "proposed"]


def decide(
    file: ProposalFile, *, confirm: frozenset[int], leave_out: frozenset[int], by: str, on: str
) -> ProposalFile:
    """Return a proposal with what a person decided; numbers of values count from 1.

    Decisions that were written into the file by hand get the name and the time as well, and what
    was changed there is corrected.

    Raises
    ------
    InputError
        There is no value of a number, it is named twice, or it has no channel.
    """
    values = file.values
    for number in sorted(confirm | leave_out):
        if not 1 <= number <= len(values):
            raise InputError(f"found value {number}, expected 1 to {len(values)}.")
    if both := confirm & leave_out:
        raise InputError(f"value {min(both)}: found in both, expected confirmed or left out.")
    kinds, number = [], 0
    for kind in file.kind:
        decided = []
        for value in kind.value:
            number += 1
            state: State = value.state
            if number in confirm:
                state = "confirmed"
                if not value.channel:
                    raise InputError(
                        f"value {number}: found no channel, expected one in the file, or the value "
                        "left out."
                    )
            elif number in leave_out:
                state = "left out"
            if state == "confirmed" and value.check != check_of(value):
                state = "corrected"
            new = state != "proposed" and not (value.by and state == value.state)
            changes = {"state": state, **({"by": by, "on": on} if new else {})}
            decided.append(value.model_copy(update=changes))
        kinds.append(kind.model_copy(update={"value": tuple(decided)}))
    return file.model_copy(update={"kind": tuple(kinds)})


def quoted(text: str) -> str:
    """Return a text as TOML has it."""
    return json.dumps(text, ensure_ascii=False)


def position_keys(position: BitPosition) -> list[str]:
    """Return the keys of a place in a frame, as a layout has them."""
    keys = [f"byte = {position.byte}"]
    if position.bit is not None:
        keys.append(f"bit = {position.bit}")
    keys.append(f"bits = {position.bits}")
    if position.order == "big":
        keys.append('order = "big"')
    return keys


def kind_keys(kind: FileKind) -> list[str]:
    """Return the keys of a kind of frame, as a layout has them."""
    lines = [f"name       = {quoted(kind.name)}"]
    identifier = kind.identifier if isinstance(kind.identifier, str) else f"0x{kind.identifier:X}"
    lines.append(f"identifier = {quoted(identifier)}")
    if kind.extended:
        lines.append("extended   = true")
    lines.append(f"length     = {kind.length}")
    if kind.match:
        fields = ", ".join(
            f"{{ {', '.join(position_keys(one))}, equals = {one.equals} }}" for one in kind.match
        )
        lines.append(f"match      = [{fields}]")
    if kind.period_s:
        lines.append(f"period_s   = {kind.period_s:.6g}")
    for key, check in (("checksum", kind.checksum), ("counter", kind.counter)):
        if check is not None:
            lines.append(f"{key:10} = {_inline_table(check)}")
    return lines


def _inline_table(check: Checksum | FrameCounter) -> str:
    """Return the keys of a checksum or counter that differ from what a layout takes for granted."""
    written = check.model_dump(exclude_defaults=True)
    hexadecimal = {"polynomial", "initial", "final_xor"}
    keys = [
        f"{key} = 0x{value:02X}" if key in hexadecimal else f"{key} = {json.dumps(value)}"
        for key, value in written.items()
    ]
    return f"{{ {', '.join(keys)} }}"


def proposal_file_text(file: ProposalFile) -> str:
    """Return the text of a proposal file; values are numbered in comments."""
    lines = [
        "# PROPOSED, NOT CONFIRMED. This is no layout: the logger refuses it.",
        "# Of each value say with `dutytrace layout confirm` whether it is right, or edit it here:",
        '# state = "confirmed", "corrected" (after a change of its keys) or "left out". Comments',
        "# of your own are not kept. place, meaning, scale: how probable each is. A checksum or a",
        "# counter is taken over as it stands: delete its line where you know better.",
        "proposal = 1",
        f"name     = {quoted(file.name)}",
        f"source   = {quoted(file.source)}",
        "# What could not be decided, and why:",
        "undecided = [",
        *(f"  {quoted(one)}," for one in file.undecided),
        "]",
    ]
    number = 0
    for kind in file.kind:
        lines += ["", "[[kind]]", *kind_keys(kind), f"frames     = {kind.frames}"]
        lines += [f"seen       = {quoted(kind.seen)}"] if kind.seen else []
        for value in kind.value:
            number += 1
            lines += ["", f"  [[kind.value]]  # value {number}", *_value_lines(value)]
    return "\n".join(lines) + "\n"


def _value_lines(value: FileValue) -> list[str]:
    keys = [f"state   = {quoted(value.state)}"]
    keys += [f"by      = {quoted(value.by)}"] if value.by else []
    keys += [f"on      = {quoted(value.on)}"] if value.on else []
    keys += [
        f"meaning = {quoted(value.meaning)}",
        f"channel = {quoted(value.channel)}",
        *position_keys(value),
        f"form    = {quoted(value.form)}",
    ]
    keys += [f"scale   = {value.scale!r}"] if value.scale is not None else []
    keys += [f"offset  = {value.offset!r}"] if value.offset else []
    keys += [f"restarts_at = {value.restarts_at}"] if value.restarts_at else []
    sure = value.sure
    keys += [
        f"seen_bits = {value.seen_bits}",
        f"sure    = {{ place = {sure.place:.3f}, meaning = {sure.meaning:.3f}, "
        f"scale = {sure.scale:.3f} }}",
    ]
    keys += [f"reason  = {quoted(value.reason)}"] if value.reason else []
    if value.rivals:
        keys.append("rivals  = [")
        keys += [
            f"  {{ meaning = {quoted(one.meaning)}, scale = {one.scale!r}, "
            f"offset = {one.offset!r}, {_bits_keys(one)}sure = {one.sure:.3f} }},"
            for one in value.rivals
        ]
        keys.append("]")
    keys.append(f"check   = {quoted(value.check)}")
    return [f"  {key}" for key in keys]


def _bits_keys(rival: FileRival) -> str:
    keys = f"bits = {rival.bits}, " if rival.bits else ""
    return keys + (f"upper_at = {list(rival.upper_at)}, " if rival.upper_at else "")
