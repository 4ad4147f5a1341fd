"""The errors of dutytrace, in one tree.

    DutytraceError
    |- InputError      the input was wrong: nothing was done              exit status 2
    |- OutsideFault    something outside ended it: what was written is whole   exit status 3

A message says what happened, where, what stood there, what was expected and how to mend it. A bad
frame is never an exception: it is a counted value.
"""

__all__ = ["DutytraceError", "InputError", "OutsideFault"]


class DutytraceError(Exception):
    """Root of everything that dutytrace raises on purpose; `exit_status` ends the command."""

    exit_status = 1


class InputError(DutytraceError, ValueError):
    """A file, an option or a recording is not what it has to be."""

    exit_status = 2


class OutsideFault(DutytraceError, OSError):
    """The bus, the disk or another process failed; what had been written is whole."""

    exit_status = 3
