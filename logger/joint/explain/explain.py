"""One frame: which joint sent it, what each byte is, and what it says. Pure.

Decoded by the decoder itself, as if nothing had come before. What one frame alone cannot tell (the
turns of a single-turn encoder, a request that looks like its answer) is said.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logger.errors import InputError
from logger.joint.batch import EXTENDED, FD, FrameBatch
from logger.joint.bench.bench import Bench
from logger.joint.bench.codes import codes_of
from logger.joint.bench.frame_match import Claim
from logger.joint.bench.identifiers import identifier_for, named
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.layout import Frame
from logger.joint.bench.scaling import worth_of
from logger.joint.bench.value import SHARES, Part, Place, Value
from logger.joint.channels import CHANNELS
from logger.joint.decode.bit_fields import raw_values
from logger.joint.decode.decode import DecodeState, decode, frame_of, plan_for
from logger.joint.explain.typed import TypedFrame
from logger.settings_file import nearest

__all__ = ["ByteSaid", "Explained", "ValueSaid", "explain"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteSaid:
    """One byte, and what stands in it."""

    place: int
    content: int
    of: tuple[str, ...]
    """The fields that it belongs to; empty where the layout says nothing of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueSaid:
    """One value: what it is in the frame, how it is converted, and what comes out."""

    name: str
    raw: int
    bits: int
    how: str
    """The way from counts to the channel's unit, in words."""
    result: float | None
    """None: the raw value means "no value"."""
    unit: str
    """UCUM code; "" for what is told in words only."""
    words: str = ""
    """Of a code, what it means."""

    @property
    def hex(self) -> str:
        """The raw bits in hex, as wide as they are."""
        return f"0x{self.raw % (1 << self.bits):0{(self.bits + 3) // 4}X}"

    @property
    def told(self) -> str:
        """The result with its unit and words."""
        if self.result is None:
            return "no value"
        if not self.unit:
            return self.words or self.hex
        unit = {"1": "", "Cel": " degC"}.get(self.unit, f" {self.unit}")
        return f"{self.result:.10g}{unit}{f' ({self.words})' if self.words else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """What one frame says; None for a value that says "no value"."""

    joint: str
    frame: str
    bus: str
    readings: Mapping[str, float | None]
    bytes: tuple[ByteSaid, ...] = ()
    values: tuple[ValueSaid, ...] = ()
    remarks: tuple[str, ...] = ()
    """What cannot be told from one frame, and what else there is to say."""


def explain(bench: Bench, frame: TypedFrame, *, bus: str | None = None) -> Explained:
    """Return what a frame says to the recorder, on whatever bus of the bench or on the one named.

    Raises
    ------
    InputError
        There is no such bus, or no joint of the bench sends such a frame.
    """
    names = [one.name for one in bench.buses]
    if bus is not None and bus not in names:
        raise InputError(f"--bus: found {bus!r}, expected a bus.{nearest(bus, names)}")
    places = [place for place, name in enumerate(names) if bus in {None, name}]
    flags = (EXTENDED if frame.extended else 0) | (FD if frame.fd else 0)
    number, data = frame.identifier, frame.data
    # As whoever asked: then what looks like a request is read as the answer.
    plan = plan_for(bench, asking=True)
    found: Explained | None = None
    elsewhere: list[str] = []
    for place in places:
        frames = FrameBatch.of([(0, number, flags, data)], bus=place)
        decoded, _ = decode(plan, DecodeState(), frames)
        heard = [readings for readings in decoded.readings if len(readings)]
        if not heard:
            continue
        if found is not None:
            elsewhere.append(
                f"A bus has to be chosen: on {names[place]!r} the same frame is of "
                f"{heard[0].joint}. Here it is read as of {found.bus!r}; --bus {names[place]} "
                "reads it as of the other."
            )
            continue
        readings = heard[0]
        joint = bench.joint(readings.joint)
        kind = _frame_of(bench, joint, frame_of(plan, frames))
        carried = {value.channel for value in kind.value}
        if bench.derives_torque(joint) and "current_A" in carried:
            carried.add("torque_Nm")
        told = {
            channel: None if np.isnan(values[0]) else float(values[0])
            for channel, values in readings.columns.items()
            if channel in carried
        }
        found = Explained(
            joint=joint.name,
            frame=kind.name,
            bus=names[place],
            readings=told,
            bytes=_bytes(kind, data),
            values=tuple(_values(bench, joint, kind, data, told)),
            remarks=tuple(_remarks(joint, kind, [one.joint for one in heard[1:]])),
        )
    found = found or _asked(bench, frame, places)
    if found is not None:
        return replace(found, remarks=(*found.remarks, *elsewhere))
    raise InputError(
        f"{named(number, extended=frame.extended)} {data.hex(' ').upper() or '(no bytes)'}: "
        f"{_why(bench, frame, places)}"
    )


def _frame_of(bench: Bench, joint: JointSettings, frame: Frame) -> Frame:
    """Return the joint's own kind of that name: of a shared frame each has another slot."""
    return next(one for one in bench.layout_of(joint).frame if one.name == frame.name)


def _bytes(frame: Frame, data: bytes) -> tuple[ByteSaid, ...]:
    of: dict[int, list[str]] = {}
    for byte in range(len(frame.begins) // 2):
        of.setdefault(byte, []).append("begins")
    fields: list[tuple[str, Place]] = [("match", match) for match in frame.match]
    fields += [(value.channel, value) for value in frame.value]
    fields += [(part.name, part) for part in frame.part]
    for name, field in fields:
        for byte in sorted({byte for byte, _ in field.places}):
            of.setdefault(byte, []).append(name)
    return tuple(
        ByteSaid(place=place, content=content, of=tuple(of.get(place, ())))
        for place, content in enumerate(data)
    )


def _values(
    bench: Bench,
    joint: JointSettings,
    frame: Frame,
    data: bytes,
    told: Mapping[str, float | None],
) -> list[ValueSaid]:
    padded = np.frombuffer(data.ljust(64, b"\0"), np.uint8)[None, :]
    said = [
        ValueSaid(
            name=value.channel,
            raw=_raw(padded, value),
            bits=value.bits,
            how=_how(value, joint),
            result=told[value.channel],
            unit=CHANNELS[value.channel].ucum,
            words=codes_of(value.names, value.flags, bits=value.bits, signed=value.signed).words(
                _raw(padded, value)
            )
            if CHANNELS[value.channel].whole
            else "",
        )
        for value in frame.value
    ]
    for part in frame.part:
        raw = _raw(padded, part)
        codes = codes_of(part.names, part.flags, bits=part.bits, signed=part.signed)
        said.append(
            ValueSaid(
                name=part.name,
                raw=raw,
                bits=part.bits,
                how="told in words",
                result=float(raw),
                unit="",
                words=codes.words(raw),
            )
        )
    if bench.derives_torque(joint) and "current_A" in told:
        assert joint.torque is not None, "it is derived from it"
        said += [
            ValueSaid(
                name="torque_Nm",
                raw=one.raw,
                bits=one.bits,
                how=f"derived: current_A x {joint.torque.per_ampere:g} N.m/A",
                result=told.get("torque_Nm"),
                unit=CHANNELS["torque_Nm"].ucum,
            )
            for one in said
            if one.name == "current_A"
        ]
    return said


def _raw(padded: np.ndarray, place: Value | Part) -> int:
    raw = int(raw_values(padded, place)[0])
    return raw % 2**64 if place.bits == 64 and not place.signed else raw


def _how(value: Value, joint: JointSettings) -> str:
    """Return the way from counts to the channel in words, left to right."""
    channel = CHANNELS[value.channel]
    words = ["IEEE 754"] if value.type == "float" else []
    if value.encoder is not None:
        turns = f", {value.encoder.turns} turns" if value.encoder.turns > 1 else ""
        words.append(f"encoder of {value.encoder.counts} counts a turn{turns}")
    elif value.per_turn is not None:
        words.append(f"{value.per_turn:g} counts a turn")
    elif value.unit in SHARES:
        share = "per mille" if value.unit == "per_mille" else "per cent"
        # The worth without scale and gear is that of one share.
        whole = (
            worth_of(
                value.model_copy(update={"scale": 1.0, "offset": 0.0, "side": "output"}),
                joint.model_copy(update={"reversed": False}),
                where=joint.name,
            ).factor
            / SHARES[value.unit]
        )
        scale = "" if value.scale == 1 else f"x {value.scale:g} "
        words.append(f"{scale}{share} of {whole:.6g} {channel.ucum}")
    elif value.scale != 1 or value.unit is not None:
        words.append(f"x {value.scale:g}{f' {value.unit}' if value.unit else ''}")
    if value.offset:
        words.append(f"{'+' if value.offset > 0 else '-'} {abs(value.offset):g}")
    if value.resistance is not None:
        words.append("ohm of a Pt100" if value.resistance == "pt100" else "ohm of a thermistor")
    if value.side == "motor" and joint.gear_ratio != 1:
        sign = "x" if channel.quantity == "torque" else "/"
        words.append(f"{sign} {joint.gear_ratio:g} of the gear")
    if joint.reversed and channel.mirrored:
        words.append("reversed")
    if channel.quantity == "position" and joint.zero_rad:
        words.append(
            f"{'-' if joint.zero_rad > 0 else '+'} {abs(joint.zero_rad):g} rad of its zero"
        )
    return ", ".join(words)


def _remarks(joint: JointSettings, frame: Frame, others: list[str]) -> list[str]:
    said = []
    if frame.echo_within_s is not None:
        said.append(
            "Request and answer look alike here, and one frame alone cannot tell: read as the "
            "answer."
        )
    if any(value.encoder is not None and value.encoder.turns == 1 for value in frame.value):
        said.append("The position is that within one turn of the encoder: turns take more frames.")
    if others:
        said.append(f"The same frame also tells {', '.join(others)}.")
    if frame.value and frame.value[0].slot_bytes:
        said.append(f"{joint.name} takes the values of slot {joint.slot}.")
    return said


def _asked(bench: Bench, frame: TypedFrame, places: Sequence[int]) -> Explained | None:
    for joint in bench.joints:
        if bench.bus_of(joint) not in places:
            continue
        for request in bench.layout_of(joint).request:
            own = identifier_for(
                request.identifier, joint.node, extended=request.extended, where=joint.name
            )
            asks = (own, request.extended, bytes.fromhex(request.data))
            if asks == (frame.identifier, frame.extended, frame.data):
                return Explained(
                    joint=joint.name,
                    frame=request.name,
                    bus=bench.buses[bench.bus_of(joint)].name,
                    readings={},
                    bytes=tuple(
                        ByteSaid(place=place, content=content, of=("request",))
                        for place, content in enumerate(frame.data)
                    ),
                    remarks=("A request that this joint is sent; it carries no values.",),
                )
    return None


def _why(bench: Bench, typed: TypedFrame, places: Sequence[int]) -> str:
    """Return why nobody sends such a frame, and what comes nearest."""
    number, data, extended = typed.identifier, typed.data, typed.extended
    known = [
        (joint.name, frame, claim)
        for joint in bench.joints
        if bench.bus_of(joint) in places
        for frame, claim in zip(bench.layout_of(joint).frame, bench.claims_of(joint), strict=True)
        if claim.extended == extended
    ]
    here = [one for one in known if number & one[2].mask == one[2].identifier]
    if not here:
        if not known:
            whose = "the bench" if len(places) == len(bench.buses) else "that bus"
            return f"no joint of {whose} has {'29' if extended else '11'}-bit identifiers."
        name, frame, claim = min(known, key=lambda one: abs(one[2].identifier - number))
        return (
            "identifier of no joint; the nearest is "
            f"{named(claim.identifier, extended=extended)}, {frame.name!r} of {name}. Compare the "
            "layout's identifier and the bench file's node."
        )
    begun = [one for one in here if _begins(one[2], data)]
    if not begun:
        kinds = "; ".join(
            f"{frame.name!r} of {name} with {_leads(frame)}" for name, frame, _ in here
        )
        return f"leading bytes of no frame; on this identifier are known: {kinds}."
    name, frame, claim = begun[0]
    if len(data) < claim.length:
        return f"too short: {frame.name!r} of {name} wants {claim.length} bytes, found {len(data)}."
    return f"too long: {frame.name!r} of {name} has {claim.longest} bytes, found {len(data)}."


def _begins(claim: Claim, data: bytes) -> bool:
    return all(
        place < len(data) and data[place] & claim.bits[place] == claim.content[place]
        for place in claim.told_by
    )


def _leads(frame: Frame) -> str:
    told = (
        [f"{bytes.fromhex(frame.begins).hex(' ').upper()} at its beginning"] if frame.begins else []
    )
    told += [
        f"{match.equals} in byte {match.byte}, bit {match.first_bit}, {match.bits} bits"
        for match in frame.match
    ]
    return " and ".join(told) or "any bytes"
