"""Why a frame is of no joint of a bench, and what comes nearest. Pure."""

from collections.abc import Sequence

from logger.joint.bench.bench import Bench
from logger.joint.bench.frame_match import FrameMatch
from logger.joint.bench.identifiers import format_id
from logger.joint.bench.layout import Frame
from logger.joint.explain.typed import TypedFrame

__all__ = ["no_match_reason"]


def no_match_reason(bench: Bench, typed: TypedFrame, bus_indices: Sequence[int]) -> str:
    """Return why the frame matches no joint, and the nearest match."""
    number, data, extended = typed.identifier, typed.data, typed.extended
    known_frames = [
        (joint.name, frame, match)
        for joint in bench.joints
        if bench.bus_of(joint) in bus_indices
        for frame, match in zip(
            bench.layout_of(joint).frame, bench.frame_matches_of(joint), strict=True
        )
        if match.extended == extended
    ]
    identifier_matches = [
        candidate
        for candidate in known_frames
        if number & candidate[2].mask == candidate[2].identifier
    ]
    if not identifier_matches:
        if not known_frames:
            scope_text = "the bench" if len(bus_indices) == len(bench.buses) else "that bus"
            return f"no joint of {scope_text} has {'29' if extended else '11'}-bit identifiers."
        name, frame, match = min(
            known_frames, key=lambda candidate: abs(candidate[2].identifier - number)
        )
        return (
            "identifier of no joint; the nearest is "
            f"{format_id(match.identifier, extended=extended)}, {frame.name!r} of {name}. Compare "
            "the layout's identifier and the bench file's node."
        )
    beginning_matches = [
        candidate for candidate in identifier_matches if _matches_beginning(candidate[2], data)
    ]
    if not beginning_matches:
        kinds = "; ".join(
            f"{frame.name!r} of {name} with {_selector_text(frame)}"
            for name, frame, _ in identifier_matches
        )
        return f"leading bytes of no frame; on this identifier are known: {kinds}."
    name, frame, match = beginning_matches[0]
    if len(data) < match.length:
        return f"too short: {frame.name!r} of {name} wants {match.length} bytes, found {len(data)}."
    return f"too long: {frame.name!r} of {name} has {match.max_length} bytes, found {len(data)}."


def _matches_beginning(match: FrameMatch, data: bytes) -> bool:
    return all(
        byte_index < len(data)
        and data[byte_index] & match.bits[byte_index] == match.expected[byte_index]
        for byte_index in match.distinguishing_bytes
    )


def _selector_text(frame: Frame) -> str:
    conditions = (
        [f"{bytes.fromhex(frame.begins).hex(' ').upper()} at its beginning"] if frame.begins else []
    )
    conditions += [
        f"{match.equals} in byte {match.byte}, bit {match.first_bit}, {match.bits} bits"
        for match in frame.match
    ]
    return " and ".join(conditions) or "any bytes"
