"""The demo's drive spoken by hand, from its page of the manual and not from its layout."""

from typing import Final

__all__ = [
    "HEALTH",
    "MOTION",
    "SET_POINTS",
    "answer_id",
    "asking",
    "health_answer",
    "kind_of",
    "motion_answer",
    "question_id",
]

MOTION: Final = 1
SET_POINTS: Final = 2
HEALTH: Final = 6
"""The kinds of answer, as the question and three bits of the answer name them."""


def question_id(node: int) -> int:
    """Return the identifier on which a joint is asked."""
    return 0x190 + 3 * node


def answer_id(node: int) -> int:
    """Return the identifier on which it answers."""
    return 0x4C1 + 7 * node


def asking(kind: int) -> bytes:
    """Return the payload of a question."""
    return bytes([0xC5, kind])


def kind_of(payload: bytes) -> int:
    """Return the kind of an answer."""
    return payload[1] >> 5


def motion_answer(count: int = 0, *, current_A: float = 0.0) -> bytes:  # noqa: N803 - a unit's
    """Return the answer of a joint whose encoder reads a count, in 20,000ths of a motor turn."""
    return _tagged(MOTION, round(current_A / 0.0125)) + b"\0\0" + count.to_bytes(2, "little")


def health_answer(housing: int, *, drive: int = 31, volts: float = 48.0, fault: int = 0) -> bytes:
    """Return the answer of a joint at so many degrees Celsius."""
    return _tagged(HEALTH, round(volts / 0.02)) + bytes([drive + 55, fault, housing + 55])


def _tagged(kind: int, count: int) -> bytes:
    """Return two bytes: 13 bits of a value, low byte first, below three of the kind."""
    return (kind << 13 | count & 0x1FFF).to_bytes(2, "little")
