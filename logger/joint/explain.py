"""One frame, as a person types it: which joint sent it, and what it says. Pure."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logger.errors import InputError
from logger.joint.batch import EXTENDED, FrameBatch
from logger.joint.bench import Bench
from logger.joint.decode import DecodeState, decode, frame_of, plan_for

__all__ = ["Explained", "explain"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """What one frame says; None for a value that says "no value"."""

    joint: str
    frame: str
    readings: Mapping[str, float | None]


def explain(bench: Bench, identifier: str, payload: str, *, extended: bool = False) -> Explained:
    """Return what a frame says to the recorder.

    Raises
    ------
    InputError
        The identifier or the bytes cannot be read, or no joint of the bench sends such a frame.
    """
    try:
        number = int(identifier, 0)
    except ValueError:
        raise InputError(
            f"ID: found {identifier!r}, expected an identifier such as 0x2C3 or 707."
        ) from None
    most = 0x1FFFFFFF if extended else 0x7FF
    if not 0 <= number <= most:
        hint = "" if extended or number < 0 else " A 29-bit identifier wants --extended."
        raise InputError(f"ID: found {identifier}, expected 0 to 0x{most:X}.{hint}")
    compact = re.sub(r"[\s:,]", "", payload)
    if not re.fullmatch(r"([0-9a-fA-F]{2}){0,64}", compact):
        raise InputError(f"BYTES: found {payload!r}, expected up to 64 bytes in hex: '48 18 1F'.")
    row = (0, number, EXTENDED if extended else 0, bytes.fromhex(compact))
    plan = plan_for(bench)
    heard = []
    for bus in range(len(bench.buses)):
        frames = FrameBatch.of([row], bus=bus)
        decoded, _ = decode(plan, DecodeState(), frames)
        heard += [(frames, readings) for readings in decoded.readings]
    for frames, readings in heard:
        if len(readings):
            frame = frame_of(plan, frames)
            carried = {value.channel for value in frame.value}
            if "current_A" in carried and bench.joint(readings.joint).torque is not None:
                carried.add("torque_Nm")
            return Explained(
                joint=readings.joint,
                frame=frame.name,
                readings={
                    channel: None if np.isnan(values[0]) else float(values[0])
                    for channel, values in readings.columns.items()
                    if channel in carried
                },
            )
    reason = next(iter(decoded.rejected), "identifier of no joint")
    raise InputError(
        f"0x{number:03X} {compact.upper()}: not decoded: {reason}. Compare it with the layout's "
        "identifier, leading bytes and length."
    )
