"""One frame explained: which joint sent it, what each byte is, and its values. Pure.

Decoded by the decoder itself, as the first frame. A remark names what one frame alone cannot show
(the turns of a single-turn encoder, a request that looks like its response).
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from logger.errors import InputError
from logger.joint.batch import EXTENDED, FD, FrameBatch
from logger.joint.bench.bench import Bench
from logger.joint.bench.codes import code_table
from logger.joint.bench.identifiers import format_id, identifier_for
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.layout import Frame, Request
from logger.joint.bench.scaling import scaling_of
from logger.joint.bench.value import SHARE_FACTORS, BitPosition, TextField, Value
from logger.joint.channels import channel_named
from logger.joint.decode.checksums import compute_checksums
from logger.joint.decode.decode import DecodePlan, DecodeState, decode, decode_plan, frame_kinds
from logger.joint.decode.raw_values import raw_values
from logger.joint.explain.no_match import no_match_reason
from logger.joint.explain.typed import TypedFrame
from logger.settings_file import did_you_mean

__all__ = ["ByteExplained", "Explained", "ValueExplained", "explain_frame"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteExplained:
    """One byte and the fields in it."""

    index: int
    value: int
    fields: tuple[str, ...]
    """The fields that it belongs to; empty where the layout uses none of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueExplained:
    """One value: what it is in the frame, how it is converted, and what comes out."""

    name: str
    raw: int
    bits: int
    how: str
    """The way from counts to the channel's unit, in words."""
    result: float | None
    """None: the raw value means "no value"."""
    unit: str
    """UCUM code; "" for what is given in words only."""
    words: str = ""
    """Of a code, what it means."""

    @property
    def hex(self) -> str:
        """The raw bits in hex, as wide as they are."""
        return f"0x{self.raw % (1 << self.bits):0{(self.bits + 3) // 4}X}"

    @property
    def text(self) -> str:
        """The result with its unit and words."""
        if self.result is None:
            return "no value"
        if not self.unit:
            return self.words or self.hex
        unit = {"1": "", "Cel": " degC"}.get(self.unit, f" {self.unit}")
        return f"{self.result:.10g}{unit}{f' ({self.words})' if self.words else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """The explanation of one frame; a value of None means "no value"."""

    joint: str
    frame: str
    bus: str
    readings: Mapping[str, float | None]
    bytes: tuple[ByteExplained, ...] = ()
    values: tuple[ValueExplained, ...] = ()
    remarks: tuple[str, ...] = ()
    """What one frame cannot show, and other remarks."""

    def to_json(self) -> dict[str, Any]:
        """Return it as plain content, as `dutytrace decode --json` answers."""
        return {
            "joint": self.joint,
            "frame": self.frame,
            "bus": self.bus,
            "readings": dict(self.readings),
            "bytes": [
                {"byte": one.index, "value": one.value, "of": one.fields} for one in self.bytes
            ],
            "values": [asdict(one) for one in self.values],
            "said": self.remarks,
        }


def explain_frame(
    bench: Bench, frame: TypedFrame, *, bus: str | None = None
) -> tuple[Explained, ...]:
    """Explain a frame as the recorder decodes it, on the bus named or on any of the bench.

    Returns
    -------
    One explanation for each joint whose values it carries, at least one.

    Raises
    ------
    InputError
        There is no such bus, or no joint of the bench sends such a frame.
    """
    names = [bus_name.name for bus_name in bench.buses]
    if bus is not None and bus not in names:
        raise InputError(f"--bus: found {bus!r}, expected a bus.{did_you_mean(bus, names)}")
    bus_indices = [bus_index for bus_index, name in enumerate(names) if bus in {None, name}]
    flags = (EXTENDED if frame.extended else 0) | (FD if frame.fd else 0)
    number, data = frame.identifier, frame.data
    # As whoever asked: then what looks like a request is read as the answer.
    plan = decode_plan(bench, with_requests=True)
    # A damaged frame is explained as well: what it would be, and that it is damaged.
    plan = replace(plan, dispatch=replace(plan.dispatch, checksums=()))
    explanations: tuple[Explained, ...] = ()
    other_buses: list[str] = []
    for bus_index in bus_indices:
        frames = FrameBatch.from_rows([(0, number, flags, data)], bus=bus_index)
        here = _explanations(bench, plan, frames, bus=names[bus_index])
        if here and explanations:
            other_buses.append(
                f"A bus has to be chosen: on {names[bus_index]!r} the same frame is of "
                f"{here[0].joint}. Explained here as received on {explanations[0].bus!r}; "
                f"--bus {names[bus_index]} explains it as received on the other."
            )
        explanations = explanations or here
    explanations = explanations or _request_explanations(bench, frame, bus_indices)
    if explanations:
        return tuple(replace(one, remarks=(*one.remarks, *other_buses)) for one in explanations)
    raise InputError(
        f"{format_id(number, extended=frame.extended)} {data.hex(' ').upper() or '(no bytes)'}: "
        f"{no_match_reason(bench, frame, bus_indices)}"
    )


def _explanations(
    bench: Bench, plan: DecodePlan, frames: FrameBatch, *, bus: str
) -> tuple[Explained, ...]:
    """Return the explanations of one frame on one bus, one for each joint that it tells."""
    decoded, _ = decode(plan, DecodeState(), frames)
    data = frames.data[0, : int(frames.length[0])].tobytes()
    kinds = [int(kinds_of_joint[0]) for kinds_of_joint in frame_kinds(plan, frames)]
    carriers = [place for place, kind in enumerate(kinds) if kind >= 0]
    explanations = []
    for place in carriers:
        joint = plan.joints[place].joint
        kind = plan.joints[place].frames[kinds[place]].frame
        carried_channels = {value.channel for value in kind.value}
        if bench.derives_torque(joint) and "current_A" in carried_channels:
            carried_channels.add("torque_Nm")
        readings = {
            channel: None if np.isnan(values[0]) else float(values[0])
            for channel, values in decoded.readings[place].columns.items()
            if channel in carried_channels
        }
        others = [plan.joints[other].joint.name for other in carriers if other != place]
        explanations.append(
            Explained(
                joint=joint.name,
                frame=kind.name,
                bus=bus,
                readings=readings,
                bytes=_explain_bytes(kind, data),
                values=tuple(_explain_values(bench, joint, kind, data, readings)),
                remarks=(
                    *_checksum_remarks(kind, data),
                    *_explanation_remarks(joint, kind, others),
                ),
            )
        )
    return tuple(explanations)


def _explain_bytes(frame: Frame, data: bytes) -> tuple[ByteExplained, ...]:
    byte_fields: dict[int, list[str]] = {}
    for byte in range(len(frame.begins) // 2):
        byte_fields.setdefault(byte, []).append("begins")
    fields: list[tuple[str, BitPosition]] = [("match", match) for match in frame.match]
    if frame.checksum is not None:
        fields.append(("checksum", BitPosition(byte=frame.checksum.byte, bits=8)))
    if frame.counter is not None:
        fields.append(("counter", frame.counter))
    fields += [(value.channel, value) for value in frame.value]
    fields += [(part.name, part) for part in frame.part]
    for name, field in fields:
        for byte in sorted({byte for byte, _ in field.bit_places}):
            byte_fields.setdefault(byte, []).append(name)
    return tuple(
        ByteExplained(
            index=byte_index, value=content, fields=tuple(byte_fields.get(byte_index, ()))
        )
        for byte_index, content in enumerate(data)
    )


def _explain_values(
    bench: Bench,
    joint: JointSettings,
    frame: Frame,
    data: bytes,
    readings: Mapping[str, float | None],
) -> list[ValueExplained]:
    padded = np.frombuffer(data.ljust(64, b"\0"), np.uint8)[None, :]
    explained = [
        ValueExplained(
            name=value.channel,
            raw=_raw_number(padded, value),
            bits=value.bits,
            how=_conversion_text(value, joint),
            result=readings[value.channel],
            unit=channel_named(value.channel).ucum,
            words=code_table(
                value.names, value.flags, bits=value.bits, signed=value.signed
            ).describe_code(_raw_number(padded, value))
            if channel_named(value.channel).whole
            else "",
        )
        for value in frame.value
    ]
    for part in frame.part:
        raw = _raw_number(padded, part)
        codes = code_table(part.names, part.flags, bits=part.bits, signed=part.signed)
        explained.append(
            ValueExplained(
                name=part.name,
                raw=raw,
                bits=part.bits,
                how="told in words",
                result=float(raw),
                unit="",
                words=codes.describe_code(raw),
            )
        )
    if bench.derives_torque(joint) and "current_A" in readings:
        assert joint.torque is not None, "it is derived from it"
        explained += [
            ValueExplained(
                name="torque_Nm",
                raw=layout_value.raw,
                bits=layout_value.bits,
                how=f"derived: current_A x {joint.torque.per_ampere:g} N.m/A",
                result=readings.get("torque_Nm"),
                unit=channel_named("torque_Nm").ucum,
            )
            for layout_value in explained
            if layout_value.name == "current_A"
        ]
    return explained


def _raw_number(padded: np.ndarray, value: Value | TextField) -> int:
    raw = int(raw_values(padded, value)[0])
    return raw % 2**64 if value.bits == 64 and not value.signed else raw


def _conversion_text(value: Value, joint: JointSettings) -> str:
    """Return the way from counts to the channel in words, left to right."""
    channel = channel_named(value.channel)
    words = ["IEEE 754"] if value.type == "float" else []
    if value.encoder is not None:
        turns_text = f", {value.encoder.turns} turns" if value.encoder.turns > 1 else ""
        words.append(f"encoder of {value.encoder.counts} counts a turn{turns_text}")
    elif value.per_turn is not None:
        words.append(f"{value.per_turn:g} counts a turn")
    elif value.unit in SHARE_FACTORS:
        share = "per mille" if value.unit == "per_mille" else "per cent"
        # The worth without scale and gear is that of one share.
        whole_value = (
            scaling_of(
                value.model_copy(update={"scale": 1.0, "offset": 0.0, "side": "output"}),
                joint.model_copy(update={"reversed": False}),
                where=joint.name,
            ).factor
            / SHARE_FACTORS[value.unit]
        )
        scale = "" if value.scale == 1 else f"x {value.scale:g} "
        words.append(f"{scale}{share} of {whole_value:.6g} {channel.ucum}")
    elif value.scale != 1 or value.unit is not None:
        words.append(f"x {value.scale:g}{f' {value.unit}' if value.unit else ''}")
    if value.offset:
        words.append(f"{'+' if value.offset > 0 else '-'} {abs(value.offset):g}")
    if value.resistance is not None:
        words.append("ohm of a Pt100" if value.resistance == "pt100" else "ohm of a thermistor")
    if value.side == "motor" and joint.gear_ratio != 1:
        sign = "x" if channel.quantity == "torque" else "/"
        words.append(f"{sign} {joint.gear_ratio:g} of the gear")
    if channel.quantity == "position" and joint.zero_rad:
        words.append(
            f"{'-' if joint.zero_rad > 0 else '+'} {abs(joint.zero_rad):g} rad of its zero"
        )
    if joint.reversed and channel.mirrored:
        words.append("reversed")
    return ", ".join(words)


def _checksum_remarks(frame: Frame, data: bytes) -> list[str]:
    if frame.checksum is None:
        return []
    payload = np.frombuffer(data, np.uint8)[None, :]
    expected = int(compute_checksums(payload, frame.checksum, frame.length)[0])
    found = data[frame.checksum.byte]
    if found == expected:
        return []
    return [
        f"Damaged: the checksum is 0x{found:02X} where the other bytes give 0x{expected:02X}. Such "
        "a frame is stored and not decoded."
    ]


def _explanation_remarks(joint: JointSettings, frame: Frame, others: list[str]) -> list[str]:
    remarks = []
    if frame.echo_within_s is not None:
        remarks.append(
            "Request and answer look alike here, and one frame alone cannot tell: read as the "
            "answer."
        )
    if any(value.encoder is not None and value.encoder.turns == 1 for value in frame.value):
        remarks.append(
            "The position is that within one turn of the encoder: turns take more frames."
        )
    if others:
        remarks.append(f"The same frame also tells {', '.join(others)}.")
    if any(value.slot_bytes or value.slot is not None for value in frame.value):
        remarks.append(f"{joint.name} takes the values of slot {joint.slot}.")
    return remarks


def _request_explanations(
    bench: Bench, frame: TypedFrame, bus_indices: Sequence[int]
) -> tuple[Explained, ...]:
    return tuple(
        Explained(
            joint=joint.name,
            frame=request.name,
            bus=bench.buses[bench.bus_of(joint)].name,
            readings={},
            bytes=tuple(
                ByteExplained(index=byte_index, value=content, fields=("request",))
                for byte_index, content in enumerate(frame.data)
            ),
            remarks=("A request that this joint is sent; it carries no values.",),
        )
        for joint in bench.joints
        if bench.bus_of(joint) in bus_indices
        for request in bench.layout_of(joint).request
        if _request_key(joint, request) == (frame.identifier, frame.extended, frame.data)
    )


def _request_key(joint: JointSettings, request: Request) -> tuple[int, bool, bytes]:
    identifier = identifier_for(
        request.identifier, joint.node, extended=request.extended, where=joint.name
    )
    return identifier, request.extended, bytes.fromhex(request.data)
