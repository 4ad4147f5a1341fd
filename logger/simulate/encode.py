"""Channels -> payload bytes, vectorised: the inverse of decoding, for any layout.

A simulated joint sends what a real one would: canonical channels at the output side go back
through the scaling with which they are decoded (mounting, zero, gear, unit, scale, offset) into the
bits that the layout names. A value beyond what its bits can hold is held at their end, as a drive
does. Pure.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.errors import InputError
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.layout import Frame
from logger.joint.bench.scaling import scaling_of
from logger.joint.bench.value import Value
from logger.joint.decode.resistance import ntc_ohm, pt100_ohm

__all__ = ["encode_frames", "raw_counts"]


MAX_EXACT_BITS: Final = 53
"""Whole numbers up to 2^53 are exact in float64; wider values would lose their last bits."""


def encode_frames(
    frame: Frame, joint: JointSettings, columns: Mapping[str, Floats]
) -> NDArray[np.uint8]:
    """Return the payloads of n frames of one kind, shape (n, 8) or, beyond 8 bytes, (n, 64).

    Parameters
    ----------
    frame
        The kind of frame.
    joint
        Whose gear ratio, mounting and zero apply.
    columns
        Channel name -> n values in the channel's unit; NaN means "no value".

    Raises
    ------
    InputError
        A channel that the frame carries is not among the columns, or a value is NaN and the
        layout has no raw value for it.
    """
    rows = len(next(iter(columns.values()))) if columns else 0
    data = np.zeros((rows, 8 if frame.length <= 8 else 64), np.uint8)
    for (byte, bit), value_of_bit in frame.required_bits.items():
        data[:, byte] |= np.uint8(value_of_bit << bit)
    for value in frame.value:
        if value.channel not in columns:
            raise InputError(
                f"frame {frame.name!r} of {joint.name}: nothing to send as {value.channel}; "
                f"expected values for it beside {', '.join(columns)}."
            )
        _place_counts(data, value, raw_counts(value, joint, columns[value.channel]))
    return data


def raw_counts(value: Value, joint: JointSettings, values: Floats) -> NDArray[np.int64]:
    """Return the raw counts of values of a channel, shape (n,).

    Raises
    ------
    InputError
        NaN where the layout has no raw value for "no value", more than 53 bits, or a share of
        something that the joint's settings do not give.
    """
    if value.bits > MAX_EXACT_BITS:
        raise InputError(
            f"{value.channel}: found bits = {value.bits}, expected at most {MAX_EXACT_BITS}: "
            "wider values cannot be encoded exactly."
        )
    shown_values = np.asarray(values, np.float64)
    missing = np.isnan(shown_values)
    if missing.any() and not value.no_value:
        raise InputError(
            f"{value.channel}: found no value (NaN) in {int(missing.sum())} rows, but the layout "
            "knows no raw value for it. Give it a no_value, or a number."
        )
    if value.resistance == "pt100":
        shown_values = pt100_ohm(shown_values)
    elif value.resistance is not None:
        shown_values = ntc_ohm(
            shown_values, r25_ohm=value.resistance.r25_ohm, b_K=value.resistance.b_K
        )
    scaling = scaling_of(value, joint, where=joint.name)
    exact = (shown_values - scaling.offset) / scaling.factor
    counts = np.rint(np.where(np.isnan(exact), 0.0, exact))
    if value.encoder is not None:
        counts %= value.encoder.modulus
    raw = np.clip(counts, *_encodable_range(value)).astype(np.int64)
    return np.where(missing, value.no_value[0], raw) if missing.any() else raw


def _encodable_range(value: Value) -> tuple[int, int]:
    if value.signed:
        return -(1 << (value.bits - 1)), (1 << (value.bits - 1)) - 1
    return 0, (1 << value.bits) - 1


def _place_counts(data: NDArray[np.uint8], value: Value, counts: NDArray[np.int64]) -> None:
    """Put raw counts into their bits, a byte's run of bits at a time."""
    bit_places = value.bit_places
    low = 0
    while low < len(bit_places):
        byte, bit = bit_places[low]
        high = low
        while high + 1 < len(bit_places) and bit_places[high + 1] == (byte, bit + high + 1 - low):
            high += 1
        # A negative number shifts in ones from the left: two's complement, cut to the run.
        run = (counts >> low) & ((1 << (high + 1 - low)) - 1)
        data[:, byte] |= (run << bit).astype(np.uint8)
        low = high + 1
