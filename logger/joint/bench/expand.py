"""A layout expanded for one joint: mapped frames filled, values overridden and placed.

The bench file gives what a layout leaves open: which objects a drive sends in which frame, what
one count of user units is, which slot of a shared frame is this joint's. Pure.
"""

from typing import Any, TypeVar

from pydantic import ValidationError

from logger.errors import InputError
from logger.joint.bench.joint_settings import JointSettings, parse_mapping_entry
from logger.joint.bench.layout import DictionaryObject, Frame, Layout, Request
from logger.joint.bench.value import TextField, Value
from logger.settings_file import did_you_mean

__all__ = ["expand_layout"]

Model = TypeVar("Model", Frame, Layout, Request)


def expand_layout(layout: Layout, joint: JointSettings, *, where: str) -> Layout:
    """Return the layout with the bench file's settings of one joint.

    Parameters
    ----------
    where
        The joint's place in the bench file ("bench.toml: joint[2]"), for messages.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    if layout.nodes is not None and not layout.nodes[0] <= joint.node <= layout.nodes[1]:
        raise InputError(
            f"{where}.node: found {joint.node}, expected {layout.nodes[0]} to {layout.nodes[1]}: "
            f"the layout {layout.name!r} knows no others."
        )
    _check_slot(layout, joint, where)
    own_layout = _part_of_slot(layout, joint.slot, where) if layout.slots else layout
    mapped_frames = [frame.mapped for frame in layout.frame if frame.mapped]
    for name in joint.mapping:
        if name not in mapped_frames:
            hint = (
                did_you_mean(name, mapped_frames)
                if mapped_frames
                else " It leaves none to the bench file."
            )
            raise InputError(
                f"{where}.mapping.{name}: found a frame that the layout {layout.name!r} does not "
                f"leave to be mapped.{hint}"
            )
    if mapped_frames and not joint.mapping:
        raise InputError(
            f"{where}.mapping: this key is missing; the layout {layout.name!r} leaves to the bench "
            f"file which objects the drive sends in {', '.join(mapped_frames)}. Write such as "
            f"mapping = {{ {mapped_frames[0]} = ['0x6041/16', '0x6064/32'] }}."
        )
    known_objects = _known_objects(layout, joint, where)
    frames = []
    for frame in own_layout.frame:
        if frame.mapped is None:
            frames.append(frame)
        elif frame.mapped in joint.mapping:
            frames.append(
                _fill_mapping(frame, joint, known_objects, f"{where}.mapping.{frame.mapped}")
            )
    if not (joint.value or joint.slot or joint.mapping):
        return own_layout
    frames = [_override_values(frame, joint, where) for frame in frames]
    layout_channels = {value.channel for frame in frames for value in frame.value}
    for channel in joint.value:
        if channel not in layout_channels:
            raise InputError(
                f"{where}.value.{channel}: found a channel that no frame of this joint carries."
                f"{did_you_mean(channel, sorted(layout_channels))}"
            )
    return _model_with(own_layout, where=where, frame=tuple(frames))


def _check_slot(layout: Layout, joint: JointSettings, where: str) -> None:
    """Refuse a slot that the layout does not know."""
    if any(value.slot_bytes for frame in layout.frame for value in frame.value):
        return
    if layout.slots and joint.slot not in layout.slots:
        known = ", ".join(map(str, layout.slots))
        raise InputError(
            f"{where}.slot: found {joint.slot}, expected one that the layout {layout.name!r} "
            f"names: {known}."
        )
    if joint.slot and not layout.slots:
        raise InputError(
            f"{where}.slot: found {joint.slot}, but no value of the layout {layout.name!r} has "
            "slot or slot_bytes; expected the key only where one frame carries values of several "
            "joints."
        )


def _part_of_slot(layout: Layout, slot: int, where: str) -> Layout:
    """Return what of a layout is of the joint in a slot; what has nothing for it is left out."""

    def is_own(item: Frame | Value | TextField | Request) -> bool:
        return item.slot is None or item.slot == slot

    frames: list[Frame] = []
    for frame in filter(is_own, layout.frame):
        values, parts = tuple(filter(is_own, frame.value)), tuple(filter(is_own, frame.part))
        if values or parts or not (frame.value or frame.part):
            frames.append(_model_with(frame, where=where, value=values, part=parts))
    if not frames:
        raise InputError(
            f"{where}.slot: found {slot}, but the layout {layout.name!r} has no frame for it."
        )
    names = {frame.name for frame in frames}
    requests: list[Request] = []
    for request in filter(is_own, layout.request):
        answers = tuple(name for name in request.answer if name in names)
        if answers or not request.answer:
            requests.append(_model_with(request, where=where, answer=answers))
    return _model_with(layout, where=where, frame=tuple(frames), request=tuple(requests))


def _known_objects(
    layout: Layout, joint: JointSettings, where: str
) -> dict[tuple[int, int], DictionaryObject]:
    """Return the known objects by index and sub-index; the bench file's come first."""
    own_objects: dict[tuple[int, int], DictionaryObject] = {}
    for number, entry in enumerate(joint.object, start=1):
        if (entry.index, entry.sub) in own_objects:
            raise InputError(
                f"{where}.object[{number}]: found 0x{entry.index:04X}:{entry.sub} twice, expected "
                "each object once."
            )
        own_objects[entry.index, entry.sub] = entry
    return {(entry.index, entry.sub): entry for entry in layout.object} | own_objects


def _fill_mapping(
    frame: Frame,
    joint: JointSettings,
    known_objects: dict[tuple[int, int], DictionaryObject],
    where: str,
) -> Frame:
    assert frame.mapped is not None, "asked for mapped frames only"
    mapping = joint.mapping[frame.mapped]
    values: list[Value] = []
    bit_offset = 0
    for number, entry in enumerate(mapping.objects, start=1):
        index, sub, bits = parse_mapping_entry(entry)
        mapped_entry = known_objects.get((index, sub))
        if mapped_entry is None and bits is None:
            raise InputError(
                f"{where}[{number}]: found {entry!r}, an object that is not known here; expected "
                f"how many bits it takes ('0x{index:04X}:{sub}/16'), or a [[joint.object]] that "
                "describes it."
            )
        if mapped_entry is not None and bits is not None and bits != mapped_entry.bits:
            raise InputError(
                f"{where}[{number}]: found {bits} bits for 0x{index:04X}:{sub} "
                f"({mapped_entry.name or mapped_entry.channel}), expected {mapped_entry.bits}."
            )
        if mapped_entry is not None:
            if mapped_entry.user_units and mapped_entry.channel not in joint.value:
                raise InputError(
                    f"{where}[{number}]: 0x{index:04X}:{sub} counts in units that are set in the "
                    f"drive; expected what one count is: "
                    f"[joint.value.{mapped_entry.channel}] with per_turn (counts of one turn), or "
                    "unit and scale."
                )
            values.append(mapped_entry.value_at(byte=bit_offset // 8, bit=bit_offset % 8))
        bit_offset += mapped_entry.bits if mapped_entry is not None else bits or 0
    if bit_offset > 8 * 64:
        raise InputError(f"{where}: found {bit_offset} bits in all, expected at most 512.")
    fields: dict[str, Any] = {
        "length": (bit_offset + 7) // 8,
        "value": (*frame.value, *values),
        "mapped": None,
    }
    if mapping.identifier is not None:
        fields["identifier"] = mapping.identifier
    if mapping.period_s is not None:
        fields["period_s"] = mapping.period_s
    return _model_with(frame, where=where, **fields)


def _override_values(frame: Frame, joint: JointSettings, where: str) -> Frame:
    values = []
    for value in frame.value:
        fields = value.written_keys
        change = joint.value.get(value.channel)
        if change is not None:
            if change.per_turn is not None or change.encoder is not None:
                # Each of them alone determines what one count is.
                for key in ("scale", "offset", "unit", "per_turn", "encoder"):
                    fields.pop(key, None)
            fields.update(change.written_keys)
        if value.slot_bytes:
            fields["byte"] = value.byte + joint.slot * value.slot_bytes
        try:
            values.append(Value(**fields))
        except ValidationError as fault:
            raise InputError(
                f"{where}.value.{value.channel}: with what the layout says: {_error_reason(fault)}"
            ) from None
    return _model_with(frame, where=where, value=tuple(values)) if values else frame


def _model_with(model: Model, *, where: str, **fields: Any) -> Model:  # noqa: ANN401 - fields of a model
    """Return a frame, request or layout with some of its keys changed, checked again."""
    try:
        return type(model)(**model.written_keys | fields)
    except ValidationError as fault:
        raise InputError(f"{where}: {_error_reason(fault)}") from None


def _error_reason(fault: ValidationError) -> str:
    return "\n".join(str(error["msg"]).removeprefix("Value error, ") for error in fault.errors())
