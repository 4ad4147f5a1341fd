"""What the Layout page shows: steps, a proposal value by value, what is not decided. Pure."""

from collections.abc import Mapping
from typing import Any, Final

from dashboard.found_layout.curves_figure import curves_figure
from dashboard.found_layout.proposed import FoundLayout
from dashboard.found_layout.question import LayoutRequest
from dashboard.text.format import format_number
from dashboard.text.theme import Theme
from dashboard.text.units import Displays
from logger.joint.bench.frame_checks import Checksum, FrameCounter
from logger.joint.channels import channel_named, is_channel
from logger.layout_tools.bit_map import BitClaim
from logger.layout_tools.guided_steps import STEPS
from logger.layout_tools.proposal_file import FileKind, FileRival, FileValue

__all__ = ["proposal_view", "rival_words", "steps_view"]

_FORM_WORDS: Final = {
    "unsigned": "unsigned",
    "twos_complement": "two's complement",
    "offset_binary": "offset binary",
    "sign_magnitude": "sign and magnitude: a layout cannot say this yet",
    "float": "IEEE 754",
}
_MS: Final = 1000.0
_LEAST_SURE: Final = 0.01


def steps_view(steps: Mapping[str, tuple[float, float | None]]) -> list[dict[str, Any]]:
    """Return the four steps, with begin and end in seconds of the recording where they are."""
    views = []
    for step in STEPS:
        begin_s, end_s = steps.get(step.name, (None, None))
        _, _, words = step.what.partition(": ")
        words = words[:1].upper() + words[1:]
        views.append({"name": step.name, "words": words, "begin_s": begin_s, "end_s": end_s})
    return views


def proposal_view(
    found: FoundLayout, request: LayoutRequest, *, theme: Theme, displays: Displays
) -> dict[str, Any]:
    """Return what is shown of a proposal."""
    kinds, values, number = [], [], 0
    for kind, claims in zip(found.file.kind, found.claims, strict=True):
        first = number + 1
        for value in kind.value:
            number += 1
            values.append(_value_view(value, kind, number))
        kinds.append(_kind_view(kind, claims, first))
    moved = [
        {"name": name, "begin_s": round(begin, 2), "end_s": round(end, 2)}
        for name, begin, end in found.steps
    ]
    return {
        "file": found.file.model_dump(mode="json"),
        "source": found.file.source,
        "frames": found.frames,
        "kinds": kinds,
        "values": values,
        "undecided": list(found.file.undecided),
        "corrected": moved,
        "figure": curves_figure(found, request, theme=theme, displays=displays),
    }


def _kind_view(kind: FileKind, claims: tuple[BitClaim, ...], first: int) -> dict[str, Any]:
    """Return one kind; `first`: the number of the first of its values."""
    period = f"every {format_number(kind.period_s * _MS, 1)} ms" if kind.period_s else "seldom"
    checks = [_checksum_words(kind.checksum)] if kind.checksum else []
    checks += [_counter_words(kind.counter)] if kind.counter else []
    checks += [kind.seen] if kind.seen else []
    return {
        "name": kind.name,
        "pace": f"{kind.frames} frames, {period}",
        "checks": checks,
        # A byte as it is written down: its highest bit first.
        "bytes": [
            [
                {
                    "sort": claim.sort.value,
                    "value": None if claim.value is None else first + claim.value,
                }
                for claim in reversed(claims[at : at + 8])
            ]
            for at in range(0, len(claims), 8)
        ],
    }


def _checksum_words(checksum: Checksum) -> str:
    method = {
        "xor": "XOR",
        "sum": "sum",
        "negative-sum": "two's complement of the sum",
        "crc8": f"CRC-8, polynomial 0x{checksum.polynomial or 0:02X}"
        + (", reflected" if checksum.reflected else ""),
    }[checksum.method]
    return f"byte {checksum.byte} is a checksum: {method}"


def _counter_words(counter: FrameCounter) -> str:
    of = " of all kinds of the identifier" if counter.across_kinds else ""
    return f"byte {counter.byte} bit {counter.first_bit} is a counter of {counter.bits} bits{of}"


def _value_view(value: FileValue, kind: FileKind, number: int) -> dict[str, Any]:
    unit = channel_named(value.channel).ucum if is_channel(value.channel) else ""
    order = "low byte first" if value.order == "little" else "high byte first"
    return {
        "number": number,
        "kind": kind.name,
        "meaning": value.meaning.replace("_", " "),
        "channel": value.channel,
        "place": f"byte {value.byte} bit {value.first_bit}, {value.bits} bits, {order}, "
        f"{_FORM_WORDS[value.form]}",
        "seen": ""
        if value.seen_bits >= value.bits
        else f"{value.seen_bits} of {value.bits} bits were seen to change; the rest is assumed",
        "scale": value.scale,
        "offset": value.offset,
        "unit": "degC" if unit == "Cel" else unit,
        "sure": {
            "place": value.sure.place,
            "meaning": value.sure.meaning,
            "scale": value.sure.scale,
        },
        "reason": value.reason,
        "rivals": [rival_words(rival, value) for rival in value.rivals],
        "expressible": value.form != "sign_magnitude",
    }


def rival_words(rival: FileRival, value: FileValue) -> str:
    """Return another reading of a value's bits in a line, with how likely it is."""
    words = f"{rival.meaning.replace('_', ' ')}, {rival.scale:.6g} a count"
    words += f", offset {rival.offset:g}" if rival.offset else ""
    words += f", {rival.bits} bits" if rival.bits and rival.bits != value.bits else ""
    if rival.upper_at is not None:
        byte, bit = rival.upper_at
        words += f", in two pieces: the upper bits from byte {byte} bit {bit}"
    # Listed is what may be so: nothing is said to be impossible.
    sure = f"{rival.sure:.2f}" if rival.sure >= _LEAST_SURE else "below 0.01"
    return f"{words} ({sure})"
