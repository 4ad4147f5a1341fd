"""When a frame of a log was, exact to what the log holds.

The rule, for every format: **a stamp is the decimal number that stands in the log**, as whole
nanoseconds; it never passes through a float of seconds since 1970, which is 0.24 us from the next.

- Text (SocketCAN's, `.asc`, `.csv`, `.trc`): the digits themselves, and the date of the head.
- `.blf`: its counts of 1 ns or 10 us since the start in its head.
- What is stored as a float (`.db`, `.mf4`): the shortest decimal that it stands for
  (`logger.arrays.stamps_to_ns`); so are the counts of a `.blf` that python-can wrote, which takes
  them from floats.

python-can finds the frames; its readers hand stamps on as floats, so they are read beside it.
"""

import io
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Final, Protocol

import can
from can.io.generic import MessageReader
from can.io.trc import TRCFileVersion

__all__ = [
    "MAX_STAMP_NS",
    "LogLines",
    "StampReader",
    "bounded_stamp",
    "is_written_by_python_can",
    "parse_decimal",
    "stamp_reader",
]

StampReader = Callable[[can.Message], int]
"""Returns the time of the message that the reader has just given, in ns."""

MAX_STAMP_NS: Final = 9_000_000_000 * 10**9
MAX_DIGITS: Final = 19
"""Before the point: as many as a time in ns has."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND_DIGITS: Final = 9
_MILLISECOND_DIGITS: Final = 6
_WRITER_MARK: Final = slice(8, 16)
_PYTHON_CAN_MARK: Final = bytes((5, 0, 0, 0, 2, 6, 8, 1))
"""Bytes of a `.blf` head: the application and its version, the version of the format."""


class HasLine(Protocol):
    """Something that knows the line that was read last."""

    line: str


class LogLines(io.TextIOWrapper):
    """A text log that remembers the line that was read last."""

    line = ""

    def __next__(self) -> str:  # type: ignore[override]
        """Return the next line."""
        self.line = super().__next__()
        return self.line


def parse_decimal(text: str, digits: int = _SECOND_DIGITS) -> int | None:
    """Return a decimal number times 10**digits, rounded to a whole one; None for no number."""
    whole, _, part = text.strip().partition(".")
    if whole.isdecimal() and len(part) <= digits and (part.isdecimal() or not part):
        # So many digits that no time has them are not made a number: that would take its time.
        is_time = len(whole) <= MAX_DIGITS
        return int(whole) * 10**digits + int(part.ljust(digits, "0") or "0") if is_time else None
    try:
        number = Decimal(text.strip())
    except InvalidOperation:
        return None
    if not number.is_finite() or number.adjusted() >= MAX_DIGITS:
        return None
    return int(number.scaleb(digits).to_integral_value())


def is_written_by_python_can(head: bytes) -> bool:
    """Return whether the first bytes of a `.blf` say that python-can wrote it."""
    return head[_WRITER_MARK] == _PYTHON_CAN_MARK


def stamp_reader(
    reader: MessageReader, lines: HasLine | None, *, has_float_stamps: bool = False
) -> StampReader | None:
    """Return what reads the stamps of a log beside python-can's reader of its format.

    Parameters
    ----------
    reader
        As it was opened: a `.blf` is read from its own start from here on.
    lines
        The text that it reads; None for a binary format.
    has_float_stamps
        Of a `.blf`: its counts were made of floats.

    Returns
    -------
    StampReader or None
        None: the format holds floats, and `message.timestamp` is what it holds.
    """
    if isinstance(reader, can.BLFReader):
        return _blf_stamps(reader, has_float_stamps=has_float_stamps)
    if lines is None:
        return None
    if isinstance(reader, can.CSVReader):
        return _line_stamps(lambda: parse_decimal(lines.line.partition(",")[0]))
    if isinstance(reader, can.ASCReader):
        return _asc_stamps(reader, lines)
    if isinstance(reader, can.TRCReader):
        return _trc_stamps(reader, lines)
    return None


def bounded_stamp(stamp_ns: int) -> int:
    """Return a stamp, 0 for one that no log has."""
    return stamp_ns if 0 <= stamp_ns < MAX_STAMP_NS else 0


def _line_stamps(parse_line: Callable[[], int | None]) -> StampReader:
    def stamp_ns(message: can.Message) -> int:
        parsed = parse_line()
        return bounded_stamp(_of_float(message.timestamp) if parsed is None else parsed)

    return stamp_ns


def _of_float(stamp_s: float) -> int:
    """Return the shortest decimal that a float of seconds stands for, in ns; -1 for no number."""
    parsed = parse_decimal(repr(stamp_s))
    return -1 if parsed is None else parsed


def _asc_stamps(reader: can.ASCReader, lines: HasLine) -> StampReader:
    def parse_line() -> int | None:
        since_start = parse_decimal(lines.line.split(None, 1)[0])
        # A date in the head of each block has at most microseconds, which a float of them keeps.
        return None if since_start is None else since_start + round(reader.start_time * 1e6) * 1000

    return _line_stamps(parse_line)


def _trc_stamps(reader: can.TRCReader, lines: HasLine) -> StampReader:
    def parse_line() -> int | None:
        is_dated = reader.file_version >= TRCFileVersion.V1_1
        column = reader.columns["O"] if reader.file_version >= TRCFileVersion.V2_0 else 1
        start = reader.start_time if is_dated else None
        start_ns = 0 if start is None else (start - _EPOCH) // timedelta(microseconds=1) * 1000
        since_start = parse_decimal(lines.line.split(None, column + 1)[column], _MILLISECOND_DIGITS)
        return None if since_start is None else start_ns + since_start

    return _line_stamps(parse_line)


def _blf_stamps(reader: can.BLFReader, *, has_float_stamps: bool) -> StampReader:
    start_s = reader.start_timestamp
    start_ns = round(start_s * 1000) * 10**6  # the head has milliseconds
    # From zero on python-can's floats are exact to the nanosecond for 97 days.
    reader.start_timestamp = 0.0
    step_s = math.ulp(start_s)

    def stamp_ns(message: can.Message) -> int:
        since_start_ns = round(message.timestamp * 1e9)
        if has_float_stamps:
            # The writer took the difference of two floats of seconds and cut it to whole ns.
            steps = round((since_start_ns + 0.5) * 1e-9 / step_s)
            if int(steps * step_s * 1e9) == since_start_ns:
                return bounded_stamp(_of_float(start_s + steps * step_s))
        return bounded_stamp(start_ns + since_start_ns)

    return stamp_ns
