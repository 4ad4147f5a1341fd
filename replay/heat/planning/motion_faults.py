"""Why nothing can be told of a motion: one kind each, made a sentence where it is shown. Pure."""

from enum import StrEnum
from typing import Final

from logger.errors import InputError

__all__ = ["MotionFault", "MotionFaultKind"]


class MotionFaultKind(StrEnum):
    """What is wrong with a motion."""

    EMPTY = "empty"
    NO_TABLE = "no table"
    NO_HEAD = "no head"
    ONE_COLUMN = "one column"
    UNKNOWN_COLUMN = "unknown column"
    MISSING_COLUMN = "missing column"
    TWO_LOADS = "two loads"
    SAME_COLUMN = "same column"
    RAGGED = "ragged"
    NOT_A_NUMBER = "not a number"
    TOO_LARGE = "too large"
    TWO_MARKS = "two marks"
    TIME_BACK = "time back"
    TOO_FEW = "too few"
    TOO_LONG = "too long"
    TOO_SHORT = "too short"
    GAP = "gap"
    NO_CONSTANT = "no constant"
    NO_SPAN = "no span"
    LOAD_NOT_KNOWN = "load not known"
    LOAD_FAR_OFF = "load far off"


class MotionFault(InputError):
    """A motion that nothing can be told of; `kind` says why, without its words.

    Parameters
    ----------
    expected, hint
        In place of those of the kind.
    """

    def __init__(
        self,
        kind: MotionFaultKind,
        *,
        where: str,
        found: str,
        expected: str = "",
        hint: str = "",
    ) -> None:
        self.kind = kind
        own_expected, own_hint = _MOTION_WORDS[kind]
        super().__init__(
            where=where, found=found, expected=expected or own_expected, hint=hint or own_hint
        )


_COLUMN_WORDS: Final = "time_s, torque_Nm or current_A, and if known speed_rad_s"
_IN_SECONDS: Final = "Are its times in seconds?"
_MOTION_WORDS: Final = {
    MotionFaultKind.EMPTY: (
        "a line with the names of its columns and at least two rows",
        f"The columns are {_COLUMN_WORDS}.",
    ),
    MotionFaultKind.NO_TABLE: (
        "a table that is plain text",
        "In a spreadsheet save it as CSV (UTF-8); by hand close each quotation mark.",
    ),
    MotionFaultKind.NO_HEAD: (
        f"the names of its columns there: {_COLUMN_WORDS}",
        "Put such a line above the numbers.",
    ),
    MotionFaultKind.ONE_COLUMN: (
        f"two or more with commas, semicolons or tabs between them: {_COLUMN_WORDS}",
        "",
    ),
    MotionFaultKind.UNKNOWN_COLUMN: (f"none but {_COLUMN_WORDS}", "Take it out."),
    MotionFaultKind.MISSING_COLUMN: (f"the columns {_COLUMN_WORDS}", ""),
    MotionFaultKind.TWO_LOADS: ("one of them", "Take the other one out."),
    MotionFaultKind.SAME_COLUMN: ("each column once", "Take the other one out."),
    MotionFaultKind.RAGGED: ("one cell under each column", ""),
    MotionFaultKind.NOT_A_NUMBER: ("a finite number", ""),
    MotionFaultKind.TOO_LARGE: ("a number below 1e9", ""),
    MotionFaultKind.TWO_MARKS: (
        "one mark before the decimals all over the file",
        "Write numbers without marks between thousands.",
    ),
    MotionFaultKind.TIME_BACK: (
        "times that grow from row to row",
        "Sort the rows by time_s; of two at one time keep one.",
    ),
    MotionFaultKind.TOO_FEW: (
        "at least two: a value holds until the next row, and the last row ends the motion",
        "",
    ),
    MotionFaultKind.TOO_LONG: ("at most 30 days", _IN_SECONDS),
    MotionFaultKind.TOO_SHORT: ("at least 1 ms", _IN_SECONDS),
    MotionFaultKind.GAP: (
        "a span of the recording without a gap",
        "",
    ),
    MotionFaultKind.NO_CONSTANT: (
        "the same, or torque.per_ampere in the bench file, which makes one of the other",
        "",
    ),
    MotionFaultKind.LOAD_NOT_KNOWN: ("some that tell what a load warms it by", ""),
    MotionFaultKind.LOAD_FAR_OFF: (
        "one that the recordings are nearer to: nothing tells what so much more warms it by",
        "Are its loads in N.m or A?",
    ),
    MotionFaultKind.NO_SPAN: (
        "a CSV file that is there, or a span within the recording",
        "",
    ),
}
