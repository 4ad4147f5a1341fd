"""Instants, spans and widths as somebody states them, in whole nanoseconds.

An instant is a time (text in ISO 8601, `datetime`, `pandas.Timestamp`; UTC where it names no zone)
or counts from the start of the recording (a number of seconds, `timedelta`, text such as "90s").
"""

from datetime import datetime, timedelta
from typing import Final

import numpy as np
import pandas as pd

from logger.arrays import TIME_MAX_NS
from logger.errors import InputError
from logger.store.layout.manifest import iso_utc

__all__ = ["Instant", "Width", "instant_ns", "span_ns", "width_ns"]

Instant = str | float | datetime | timedelta | np.datetime64 | None
"""An instant as somebody states it; None: the start or the end of the recording."""
Width = str | float | timedelta
"""A length of time as somebody states it; a number is seconds."""
_MAX_S: Final = TIME_MAX_NS / 1e9


def instant_ns(instant: Instant, *, start_ns: int, default_ns: int, where: str) -> int:
    """Return an instant in nanoseconds since 1970.

    Raises
    ------
    InputError
        It is none; the sentence begins with `where`, the parameter.
    """
    if instant is None:
        return default_ns
    if isinstance(instant, datetime | np.datetime64):
        return _moment_ns(instant, where)
    if isinstance(instant, str):
        try:
            return start_ns + _length_ns(instant, where)
        except InputError:
            return _moment_ns(instant, where)
    return start_ns + _length_ns(instant, where)


def span_ns(start: Instant, end: Instant, *, recording_ns: tuple[int, int]) -> tuple[int, int]:
    """Return [start, end) within a recording from `recording_ns[0]` to `recording_ns[1]`.

    Raises
    ------
    InputError
        One of both is no instant, or nothing lies between them.
    """
    first_ns, last_ns = recording_ns
    begin = instant_ns(start, start_ns=first_ns, default_ns=first_ns, where="start")
    until = instant_ns(end, start_ns=first_ns, default_ns=last_ns, where="end")
    if until <= begin:
        raise InputError(
            f"end: found {iso_utc(until)}, expected later than the start, {iso_utc(begin)}; the "
            f"recording is from {iso_utc(first_ns)} to {iso_utc(last_ns)}."
        )
    return begin, until


def width_ns(width: Width) -> int:
    """Return a width in nanoseconds; raises InputError for none that is longer than nothing."""
    length = _length_ns(width, "width")
    if length <= 0:
        raise InputError(f"width: found {width!r}, expected longer than nothing.")
    return length


def _moment_ns(moment: str | datetime | np.datetime64, where: str) -> int:
    try:
        stamp = pd.Timestamp(moment)
        stamp = stamp.tz_localize("UTC") if stamp.tzinfo is None else stamp
        return int(stamp.as_unit("ns").value)
    except (ValueError, TypeError, OverflowError):
        raise InputError(
            f"{where}: found {moment!r}, expected an instant such as '2026-11-25T09:30:00Z', or "
            "from the start of the recording, such as '90s' or 90.0."
        ) from None


def _length_ns(length: str | float | timedelta, where: str) -> int:
    try:
        if isinstance(length, str | timedelta):
            return int(pd.Timedelta(length).as_unit("ns").value)
        seconds = float(length)
    except (ValueError, TypeError, OverflowError):
        seconds = float("nan")
    if not abs(seconds) <= _MAX_S:
        raise InputError(
            f"{where}: found {length!r}, expected a length of time such as '90s' or 90.0."
        )
    return round(seconds * 1e9)
