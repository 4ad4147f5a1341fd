"""What one reading of an instrument is. Pure data, light: the command's options are made of it."""

from enum import StrEnum

__all__ = ["InstrumentMode"]


class InstrumentMode(StrEnum):
    """What one reading of an instrument is, where it is known."""

    SAMPLED = "sampled"
    AVERAGED = "averaged"
