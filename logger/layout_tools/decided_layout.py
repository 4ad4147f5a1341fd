"""The layout that a proposal makes once a person has decided about each value. Pure."""

import json
import math
from typing import Final

from logger.errors import InputError
from logger.joint.bench.layout import parse_layout
from logger.layout_tools.proposal_file import (
    FileValue,
    ProposalFile,
    kind_keys,
    position_keys,
    quoted,
    undecided_values,
)

__all__ = ["layout_text"]

SURE_SCALE: Final = 0.9
"""A scale that is confirmed, but was less sure than this, is marked as assumed."""
SAME_SHAFT: Final = 0.02
_MIRRORED: Final = ("position", "speed", "torque", "current")


def layout_text(file: ProposalFile, where: str) -> tuple[str, list[str]]:
    """Return the layout that a decided proposal makes, and what the bench file has to say.

    Raises
    ------
    InputError
        Values are not decided, none is left, or one is of a form that a layout cannot have.
    """
    if left := undecided_values(file):
        numbers = ", ".join(map(str, left))
        raise InputError(
            f"{where}: found {len(left)} values that nobody has decided about ({numbers}), "
            "expected each confirmed, corrected or left out."
        )
    kept = [value for value in file.values if value.state != "left out"]
    if not kept:
        raise InputError(f"{where}: found every value left out, expected one that is kept.")
    is_reversed, bench = _bench_keys(kept)
    lines = [
        f"# Found in traffic ({file.source}), and decided by a person: see each value's origin.",
        *(f"# The bench file has to say: {one}" for one in bench),
        "format = 1",
        f"name   = {quoted(file.name)}",
    ]
    for kind in file.kind:
        values = [value for value in kind.value if value.state != "left out"]
        if values:
            lines += ["", "[[frame]]", *kind_keys(kind)]
            for value in values:
                lines += ["", "  [[frame.value]]"]
                lines += [
                    f"  {key}"
                    for key in _layout_keys(value, file.source, where, is_reversed=is_reversed)
                ]
    text = "\n".join(lines) + "\n"
    parse_layout(text, where)
    return text, bench


def _bench_keys(values: list[FileValue]) -> tuple[bool, list[str]]:
    """Return whether the joint is reversed, and keys of the bench file.

    A count that starts again is an encoder's, whose way to the output is the gear's.
    """
    encoder = next((one for one in values if one.restarts_at and one.scale), None)
    if encoder is None or encoder.scale is None or encoder.restarts_at is None:
        return False, []
    is_reversed = encoder.scale < 0
    ratio = _turns_of(encoder)
    keys = ["reversed = true"] if is_reversed else []
    if abs(ratio - 1.0) > SAME_SHAFT:
        keys.append(f"gear_ratio = {ratio:.5g}  # as measured; the data sheet knows it better")
    return is_reversed, keys


def _turns_of(value: FileValue) -> float:
    assert value.scale is not None, "called only for an encoder"
    assert value.restarts_at is not None, "called only for an encoder"
    return 2.0 * math.pi / (abs(value.scale) * value.restarts_at)


def _layout_keys(value: FileValue, source: str, where: str, *, is_reversed: bool) -> list[str]:
    if value.form == "sign_magnitude":
        raise InputError(
            f"{where}: {value.channel}: found a sign and a magnitude, which a layout cannot say; "
            'expected state = "left out".'
        )
    keys = [f'channel = "{value.channel}"', *position_keys(value)]
    if value.form == "float":
        keys.append('type = "float"')
    elif value.form == "twos_complement":
        keys.append("signed = true")
    if value.restarts_at and value.channel == "position_rad":
        keys.append(f"encoder = {{ counts = {value.restarts_at} }}")
        if abs(_turns_of(value) - 1.0) > SAME_SHAFT:
            keys.append('side = "motor"')
    else:
        sign = -1.0 if is_reversed and value.channel.startswith(_MIRRORED) else 1.0
        scale = 1.0 if value.scale is None else value.scale
        half = 1 << (value.bits - 1) if value.form == "offset_binary" else 0
        offset = value.offset - half * scale
        keys += [f"scale = {sign * scale!r}"] if sign * scale != 1.0 else []
        keys += [f"offset = {sign * offset!r}"] if offset else []
    assumed = []
    if value.state == "confirmed":
        assumed += ["scale"] if value.sure.scale < SURE_SCALE else []
        assumed += ["meaning"] if value.sure.meaning < SURE_SCALE else []
    assumed += ["upper bits"] if value.seen_bits < value.bits else []
    assumed += ["zero"] if value.channel.startswith("position") else []
    keys.append(
        f'origin = {{ state = "{value.state}", by = {quoted(value.by)}, on = "{value.on}", '
        f"source = {quoted(source)}, seen_bits = {value.seen_bits}, "
        f"assumed = {json.dumps(assumed)} }}"
    )
    return keys
