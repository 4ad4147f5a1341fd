"""A layout proposed of recorded traffic: frames and marks read, the proposal made a file.

Frames come from a log that python-can reads, or from the raw frames of a recording. Nothing is sent
and nothing is decoded.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
from pydantic import Field, model_validator

from logger.arrays import to_s
from logger.errors import InputError
from logger.importing.log_frames import LogFrames
from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.identifiers import format_id
from logger.joint.bench.value import Selector
from logger.joint.explain.trial import minimal_bench
from logger.layout_finder.bits import BitField
from logger.layout_finder.find_layout import propose_layout
from logger.layout_finder.proposal import Meaning, Proposal, ProposedKind, ProposedValue
from logger.layout_finder.traffic import Marks, Traffic, TypedNumbers
from logger.layout_tools.proposal_file import (
    FileKind,
    FileRival,
    FileValue,
    ProposalFile,
    Sureness,
    check_of,
)
from logger.layout_tools.proposal_words import reason_of, undecided_sentences
from logger.layout_tools.proposed_checks import checksum_of, counter_of, undecided_checks
from logger.settings_file import SettingError, Settings, read_text, read_toml, validate_settings
from logger.store.reading.raw_frames import frame_parts, frames_of_part, open_finished

__all__ = [
    "FoundFrames",
    "MarksFile",
    "proposal_to_file",
    "propose_from",
    "read_frames",
    "read_marks",
]  # fmt: skip

MAX_FRAMES: Final = 4_000_000
"""Frames that are taken: half an hour of a full bus."""
Step = tuple[float, float]


class MarksFile(Settings):
    """When the steps were done, in seconds from the first frame, and what was typed."""

    rest: Step | None = None
    turn: Step | None = None
    load: Step | None = None
    warm: Step | None = None
    ambient_degC: float | None = Field(default=None, ge=-60, le=80)  # noqa: N815 - a unit
    supply_V: float | None = Field(default=None, gt=0, le=1500)  # noqa: N815
    mass_kg: float | None = Field(default=None, ge=0, le=1000)
    arm_m: float | None = Field(default=None, ge=0, le=20)
    positive: Literal["first way", "way back"] = "first way"
    """Which way of the turn counts as positive."""

    @model_validator(mode="after")
    def _check_steps(self) -> "MarksFile":
        for name, step in self.steps.items():
            if step is not None and not 0 <= step[0] < step[1]:
                raise SettingError(
                    name, found=f"{list(step)}", expected="its start and then its end, in seconds"
                )
        if not any(self.steps.values()):
            raise SettingError(
                "",
                "found no step; expected when rest, turn, load and warm were done, in seconds from "
                "the first frame, such as turn = [14.5, 46.0].",
            )
        return self

    @property
    def steps(self) -> dict[str, Step | None]:
        """The steps by name."""
        return {"rest": self.rest, "turn": self.turn, "load": self.load, "warm": self.warm}

    @property
    def typed(self) -> TypedNumbers:
        """What was typed; a weight of nothing is none."""
        return TypedNumbers(
            ambient_degC=self.ambient_degC,
            supply_V=self.supply_V,
            mass_kg=self.mass_kg or None,
            arm_m=self.arm_m or None,
            positive=1 if self.positive == "first way" else -1,
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class FoundFrames:
    """The frames that a layout is looked for in."""

    frames: FrameBatch
    source: str
    """Its name and SHA-256, or the identity of the recording."""

    @property
    def duration_s(self) -> float:
        """From the first frame to the last."""
        return float(to_s(self.frames.time_ns[-1] - self.frames.time_ns[0]))


def read_marks(path: Path) -> MarksFile:
    """Return the marks and typed numbers of a file; InputError where it is none."""
    where = str(path)
    return validate_settings(MarksFile, read_toml(read_text(path, "file of marks"), where), where)


def read_frames(path: Path, *, bus: str | None = None) -> FoundFrames:
    """Return the frames of a log, or the raw frames of a recording.

    Parameters
    ----------
    bus
        Of a recording with several, which one.

    Raises
    ------
    InputError
        It is neither, holds no frame, or too many; the bus is not one of it.
    """
    if path.is_dir():
        return _recorded_frames(path, bus)
    bench = bench_from_texts(
        minimal_bench("layout", node=0, gear_ratio=1.0),
        {"layout": 'format = 1\nname = "layout"\n[[frame]]\nname = "-"\nidentifier = 0\n'
                   "length = 0\n"},
        where=str(path),
    )  # fmt: skip
    frames = _limited(LogFrames(path=path, bench=bench), path)
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return FoundFrames(frames=frames, source=f"{path.name}, SHA-256 {digest}")


def _recorded_frames(path: Path, bus: str | None) -> FoundFrames:
    reader = open_finished(path)
    names = [one.name for one in reader.bench.buses]
    identity = reader.manifest.recording_id
    if bus is not None and bus not in names:
        raise InputError(f"--bus: found {bus!r}, expected one of {', '.join(names)}.")
    if bus is None and len(names) > 1:
        raise InputError(
            f"--bus: found none for a recording of {len(names)} buses, expected one of "
            f"{', '.join(names)}."
        )
    number = 0 if bus is None else names.index(bus)
    batches = (
        frames.select_rows(frames.bus == number)
        for part in frame_parts(path)
        for frames in frames_of_part(part)
    )
    return FoundFrames(frames=_limited(batches, path), source=f"recording {path.name}, {identity}")


def _limited(batches: Iterable[FrameBatch], path: Path) -> FrameBatch:
    kept, count = [], 0
    for batch in batches:
        # Only what came from the bus and carries something.
        data = batch.select_rows(batch.flags & (ERROR | REMOTE | SENT) == 0)
        kept.append(data)
        count += len(data)
        if count > MAX_FRAMES:
            raise InputError(
                f"{path}: found more than {MAX_FRAMES} frames, expected the few minutes of the "
                "steps: cut them out first."
            )
    if not count:
        raise InputError(f"{path}: found no frame with data in it, expected those of the steps.")
    return FrameBatch.concatenate(kept)


def propose_from(found: FoundFrames, marks: MarksFile) -> Proposal:
    """Return what frames propose.

    Raises
    ------
    InputError
        A step lies outside of the frames.
    """
    for name, step in marks.steps.items():
        if step is not None and step[0] >= found.duration_s:
            raise InputError(
                f"{name}: found {step[0]:g} to {step[1]:g} s, expected it within the "
                f"{found.duration_s:.1f} s of the frames."
            )
    frames = found.frames
    return propose_layout(
        Traffic(
            time_s=to_s(frames.time_ns - frames.time_ns[0]),
            identifier=frames.identifier.astype(np.int64),
            extended=(frames.flags & EXTENDED) > 0,
            data=(frames.data, frames.length.astype(np.int64)),
        ),
        Marks(marks.rest, marks.turn, marks.load, marks.warm),
        marks.typed,
    )


_CHANNEL_OF: Final = {
    Meaning.POSITION: ("position", "rad"),
    Meaning.COMMANDED_POSITION: ("position_setpoint", "rad"),
    Meaning.SPEED: ("speed", "rad_s"),
    Meaning.COMMANDED_SPEED: ("speed_setpoint", "rad_s"),
    Meaning.LOAD: ("torque", "Nm"),
    Meaning.COMMANDED_LOAD: ("torque_setpoint", "Nm"),
    Meaning.TEMPERATURE: ("temperature", "degC"),
    Meaning.VOLTAGE: ("voltage", "V"),
}
_PLACES: Final = ("", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


def _channels_of(proposal: Proposal) -> dict[int, str]:
    """Return a channel for each value that has a meaning and a scale, by its identity.

    The surest of a meaning has the usual name, the others have an ordinal for a place.
    """
    named: dict[int, str] = {}
    for meaning, (quantity, unit) in _CHANNEL_OF.items():
        alike = [
            value
            for kind in proposal.kinds
            for value in kind.values
            if value.meaning is meaning
            and value.scale is not None
            and value.assumed_field.upper is None  # a layout holds no value in two pieces
        ]
        alike.sort(key=lambda value: -value.probability.meaning * value.probability.place)
        for value, place in zip(alike, _PLACES, strict=False):
            if place and value.modulus is not None:
                continue  # a layout unwraps one position only
            base, _, rest = quantity.partition("_")
            words = [base, place, rest, unit]
            if meaning is Meaning.TEMPERATURE and not place:
                words[1] = "first"
            named[id(value)] = "_".join(word for word in words if word)
    return named


def _position_of(field: BitField) -> dict[str, object]:
    return {
        "byte": field.byte,
        "bit": field.bit,
        "bits": field.length - (field.upper.length if field.upper else 0),
        "order": field.order,
    }


def _upper_piece_text(field: BitField) -> str:
    """Return where the upper bits of a value in two pieces lie; "" of a value in one."""
    if field.upper is None:
        return ""
    upper = field.upper
    return (
        f"; in two pieces, which a layout does not hold: its upper {upper.length} bits begin at "
        f"byte {upper.byte} bit {upper.bit}, {upper.order}"
    )


def proposal_to_file(proposal: Proposal, *, name: str, source: str) -> ProposalFile:
    """Return a proposal as its file has it."""
    channels = _channels_of(proposal)
    return ProposalFile(
        proposal=1,
        name=name,
        source=source,
        undecided=tuple(undecided_sentences(proposal)),
        kind=tuple(_file_kind(kind, channels) for kind in proposal.kinds),
    )


def _file_kind(kind: ProposedKind, channels: dict[int, str]) -> FileKind:
    identifier = format_id(kind.identifier, extended=kind.extended)
    name = identifier
    match: tuple[Selector, ...] = ()
    if kind.multiplexer is not None and kind.multiplexer_value is not None:
        name = f"{identifier} kind 0x{kind.multiplexer_value:02X}"
        match = (
            Selector.model_validate(
                {**_position_of(kind.multiplexer), "equals": kind.multiplexer_value}
            ),
        )
    name += f", {kind.length} bytes"
    period = kind.period_s if kind.period_s == kind.period_s and kind.period_s > 0 else None
    return FileKind(
        name=name,
        identifier=identifier,
        extended=kind.extended,
        length=kind.length,
        match=match,
        period_s=None if period is None else float(f"{period:.3g}"),
        frames=kind.frames,
        checksum=checksum_of(kind),
        counter=counter_of(kind),
        seen=undecided_checks(kind),
        value=tuple(_file_value(value, channels.get(id(value), "")) for value in kind.values),
    )


def _file_value(value: ProposedValue, channel: str) -> FileValue:
    field = value.assumed_field
    sure = value.probability
    written = FileValue.model_validate(
        {
            **_position_of(field),
            "state": "proposed" if channel else "left out",
            "meaning": value.meaning.value,
            "channel": channel,
            "form": value.form.value,
            "scale": value.scale,
            "offset": float(value.offset),
            "restarts_at": value.modulus,
            "seen_bits": value.field.length,
            "sure": Sureness(
                place=round(sure.place, 3), meaning=round(sure.meaning, 3),
                scale=round(sure.scale, 3),
            ),
            "reason": reason_of(value.evidence) + _upper_piece_text(field),
            "rivals": tuple(
                FileRival(
                    meaning=one.meaning.value, scale=one.scale, offset=float(one.offset),
                    bits=one.field.length if one.field else None,
                    upper_at=(upper.byte, upper.bit) if upper else None,
                    sure=round(one.probability, 3),
                )
                for one in value.rivals
                for upper in (one.field.upper if one.field else None,)
                if one.scale is not None
            ),
        }
    )  # fmt: skip
    return written.model_copy(update={"check": check_of(written)})
