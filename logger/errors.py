"""The errors of dutytrace, in one tree.

    DutytraceError
    |- InputError      the input was wrong: nothing was done              exit status 2
    |- OutsideFault    something outside ended it: what was written is whole   exit status 3

A message says what happened, where, what stood there, what was expected and how to mend it. Of an
`InputError` these are fields, one `Mistake` for each thing that is wrong; who shows it makes the
sentence with `str`, and nobody reads the sentence back. A bad frame is never an exception: it is a
counted value.
"""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["DutytraceError", "InputError", "KeyPath", "Mistake", "OutsideFault", "key_text"]

KeyPath = tuple[str | int, ...]
"""From a file to one of its keys: names of tables and keys, places in lists from 0."""


def key_text(path: KeyPath, name: str = "") -> str:
    """Write a path as a person would: joint[2].gear_ratio, counted from 1.

    `name` is that of the list item that the key stands in: limit[2] (warm).above.
    """
    text = ""
    last = max((place for place, part in enumerate(path) if isinstance(part, int)), default=-1)
    for place, part in enumerate(path):
        if isinstance(part, int):
            text += f"[{part + 1}]"
            if name and place == last:
                text += f" ({name})"
        else:
            text += f".{part}" if text else part
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One thing that is wrong about an input; `str` makes the sentence."""

    where: str = ""
    """The file, option or place that it stands in."""
    key: KeyPath = ()
    name: str = ""
    """Name of the list item that the key stands in, told beside its number."""
    found: str = ""
    """What stands there, in words: "'warn'", "a table"."""
    expected: str = ""
    """What would be right, in words."""
    problem: str = ""
    """What is wrong, in words of its own with their full stop, where "found ..., expected ..." does
    not say it."""
    hint: str = ""
    """How to mend it, a sentence."""

    @property
    def text(self) -> str:
        """The sentence without where it stands."""
        said = self.problem or f"found {self.found}, expected {self.expected}."
        return f"{said} {self.hint}" if self.hint else said

    def __str__(self) -> str:
        """Return the sentence: where, key, what was found, what was expected, how to mend it."""
        return ": ".join(
            part for part in (self.where, key_text(self.key, self.name), self.text) if part
        )


class DutytraceError(Exception):
    """Root of everything that dutytrace raises on purpose; `exit_status` ends the command."""

    exit_status = 1


class InputError(DutytraceError, ValueError):
    """A file, an option or a recording is not what it has to be.

    Parameters
    ----------
    problem
        What is wrong in words of its own, a whole sentence: all that is known, or beside fields.
    where, key, found, expected, hint
        The fields of the one mistake that there is; see `Mistake`.
    mistakes
        Several, in place of all these.
    """

    exit_status = 2

    def __init__(
        self,
        problem: str = "",
        *,
        where: str = "",
        key: KeyPath = (),
        found: str = "",
        expected: str = "",
        hint: str = "",
        mistakes: Sequence[Mistake] = (),
    ) -> None:
        self.mistakes: tuple[Mistake, ...] = tuple(mistakes) or (
            Mistake(
                where=where, key=key, found=found, expected=expected, problem=problem, hint=hint
            ),
        )
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class OutsideFault(DutytraceError, OSError):
    """The bus, the disk or another process failed; what had been written is whole."""

    exit_status = 3
