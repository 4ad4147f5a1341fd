"""The errors of dutytrace, in one tree.

    DutytraceError
    |- InputError      the input was wrong: nothing was done              exit status 2
    |- OutsideFault    something outside ended it: what was written is whole   exit status 3

A message says what happened, where, what was found, what was expected and how to correct it. An
`InputError` holds these as fields, one `Mistake` for each thing that is wrong; `str` makes the
sentence, which no code reads back. A bad frame is never an exception: it is a counted value.
"""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["DutytraceError", "InputError", "KeyPath", "Mistake", "OutsideFault", "key_text"]

KeyPath = tuple[str | int, ...]
"""Path from a file to one of its keys: names of tables and keys, indices of lists from 0."""


def key_text(path: KeyPath, name: str = "") -> str:
    """Return a path as text, list items counted from 1: joint[2].gear_ratio.

    `name`: that of the list item that holds the key, put after its number: limit[2] (warm).above.
    """
    text = ""
    last_index = max(
        (depth for depth, part in enumerate(path) if isinstance(part, int)), default=-1
    )
    for depth, part in enumerate(path):
        if isinstance(part, int):
            text += f"[{part + 1}]"
            if name and depth == last_index:
                text += f" ({name})"
        else:
            text += f".{part}" if text else part
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One thing that is wrong about an input; `str` makes the sentence."""

    where: str = ""
    """The file or option that it is in."""
    key: KeyPath = ()
    name: str = ""
    """Name of the list item that holds the key, shown after its number."""
    found: str = ""
    """The value, in words: "'warn'", "a table"."""
    expected: str = ""
    """What would be right, in words."""
    problem: str = ""
    """What is wrong, as a sentence with its full stop, where "found ..., expected ..." does not
    say it."""
    hint: str = ""
    """How to correct it, a sentence."""

    @property
    def text(self) -> str:
        """The sentence without file and key."""
        sentence = self.problem or f"found {self.found}, expected {self.expected}."
        return f"{sentence} {self.hint}" if self.hint else sentence

    def __str__(self) -> str:
        """Return the sentence: file, key, what was found, what was expected, how to correct it."""
        return ": ".join(
            part for part in (self.where, key_text(self.key, self.name), self.text) if part
        )


class DutytraceError(Exception):
    """Root of everything that dutytrace raises on purpose; `exit_status` ends the command."""

    exit_status = 1


class InputError(DutytraceError, ValueError):
    """A file, an option or a recording is wrong.

    Parameters
    ----------
    problem
        What is wrong, as a whole sentence; alone, or with some of the fields.
    where, key, found, expected, hint
        The fields of a single mistake; see `Mistake`.
    mistakes
        Several mistakes, in place of all these.
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
    """A bus, the disk or another process failed, or work was stopped; what was written is whole."""

    exit_status = 3
