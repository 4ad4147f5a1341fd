"""Classes of error frames in words: the class bits and details of linux/can/error.h.

Only SocketCAN has this layout; error frames of other interfaces are not interpreted. Pure.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, FrameBatch

__all__ = ["ERROR_FRAME_INTERFACES", "count_error_classes"]

ERROR_FRAME_INTERFACES: Final = frozenset({"socketcan"})
"""Interfaces of python-can whose error frames are laid out like this."""

_CLASS_WORDS: Final = {
    0x001: "sending timed out",
    0x002: "arbitration lost",
    0x004: "controller state",
    0x008: "protocol violated",
    0x010: "transceiver fault",
    0x020: "not acknowledged",
    0x040: "bus off",
    0x080: "bus error",
    0x100: "controller restarted",
}
"""Bits of the identifier. A frame may carry several; the one for error counters is no error."""
_CONTROLLER_WORDS: Final = {
    0x01: "receive buffer of the controller overran",
    0x04: "many errors on receiving",
    0x08: "many errors on sending",
    0x10: "error-passive on receiving",
    0x20: "error-passive on sending",
}
"""Bits of byte 1, with class 0x004."""
_PROTOCOL_WORDS: Final = {
    0x01: "wrong bit",
    0x02: "frame malformed",
    0x04: "wrong stuff bit",
    0x08: "dominant bit not sent",
    0x10: "recessive bit not sent",
}
"""Bits of byte 2, with class 0x008."""


def count_error_classes(frames: FrameBatch) -> Mapping[str, int]:
    """Return for each class, and each detail of it, the number of error frames with it.

    `frames` are of SocketCAN; others are left out. The counts may sum to more than
    there are frames.
    """
    errors = frames.select_rows((frames.flags & ERROR) != 0)
    classes = errors.identifier.astype(np.int64)
    class_counts = _count_bits(classes, _CLASS_WORDS)
    for bit, byte_index, details in ((0x004, 1, _CONTROLLER_WORDS), (0x008, 2, _PROTOCOL_WORDS)):
        of_class = (classes & bit) != 0
        class_counts |= _count_bits(errors.data[of_class, byte_index].astype(np.int64), details)
    return class_counts


def _count_bits(bits: NDArray[np.int64], words: Mapping[int, str]) -> dict[str, int]:
    counts = {word: int(np.count_nonzero(bits & bit)) for bit, word in words.items()}
    return {word: count for word, count in counts.items() if count}
