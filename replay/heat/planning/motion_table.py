"""A motion from the text of a CSV table, and what is wrong with it, told by row and column. Pure.

Commas, semicolons or tabs stand between cells; where it is no comma, decimals may have one. A row
is called by its line in the text, as an editor or a spreadsheet counts it.
"""

import csv
import io
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.arrays import Floats
from replay.heat.planning.motion import MOTION_SPEED, Motion
from replay.heat.planning.motion_faults import MotionFault, MotionFaultKind

__all__ = ["motion_of_text"]

TIME: Final = "time_s"
LOADS: Final = ("torque_Nm", "current_A")
COLUMNS: Final = (TIME, *LOADS, MOTION_SPEED)
SEPARATORS: Final = ",;\t"
MOST_MOTION_S: Final = 30 * 86_400.0
LEAST_MOTION_S: Final = 1e-3
MOST_VALUE: Final = 1e9
"""Beyond that no joint turns or pulls, and a square could overflow."""
MOST_SHOWN: Final = 40
"""Letters of a cell in an error."""
_MEANT: Final = (
    (("time", "t", "elapsed", "seconds", "sec"), TIME, "the time in seconds"),
    (("torque", "moment", "tau"), "torque_Nm", "the torque in N·m"),
    (("current", "amp", "i_"), "current_A", "the current in A"),
    (
        ("speed", "velocity", "rpm", "omega"),
        MOTION_SPEED,
        "the speed in rad/s (1 rpm is 0.10472 rad/s)",
    ),
)
"""How a column may be called that is meant for another one, and what that holds."""
_NOT_TEXT: Final = "\0\ufffd"
"""What bytes become that are no text: a zero stays one, a browser replaces others."""


def motion_of_text(text: str, *, name: str, where: str) -> Motion:
    """Return the motion of the text of a CSV table; a value holds until the next row.

    Parameters
    ----------
    name
        What the motion is called.
    where
        The file, which an error begins with.

    Raises
    ------
    MotionFault
        It is no motion; its `kind` says why.
    """
    # A spreadsheet may begin with a byte order mark.
    text = text.lstrip("\ufeff")
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise MotionFault(MotionFaultKind.EMPTY, where=where, found="an empty file")
    separator = max(SEPARATORS, key=first.count)
    (_, head), *rows = _table_rows(text, separator, where)
    names = [one.strip() for one in head]
    _check_head(names, where)
    if len(rows) < 2:
        found = "1 row" if len(rows) == 1 else "no rows"
        raise MotionFault(MotionFaultKind.TOO_FEW, where=where, found=found)
    values = np.array([_numbers(row, names, at, separator, where) for at, row in rows])
    if separator != ",":
        _check_marks([row for _, row in rows], where)
    time_s = values[:, names.index(TIME)]
    _check_times(time_s, [at for at, _ in rows], where)
    load = next(one for one in LOADS if one in names)
    held = values[:-1, names.index(load)]
    speed = np.abs(values[:-1, names.index(MOTION_SPEED)]) if MOTION_SPEED in names else None
    return Motion(
        name=name,
        duration_s=np.diff(time_s),
        square=np.square(held),
        load_channel=load,
        peak=float(np.abs(held).max()),
        speed=speed,
        speed_square=None if speed is None else np.square(speed),
    )


def _table_rows(text: str, separator: str, where: str) -> list[tuple[int, list[str]]]:
    """Return number and cells of each line that is not blank."""
    at = min((text.find(one) for one in _NOT_TEXT if one in text), default=-1)
    if at >= 0:
        found = f"bytes in line {text.count(chr(10), 0, at) + 1} that are no text"
        raise MotionFault(MotionFaultKind.NO_TABLE, where=where, found=found)
    # Bytes of a line's end within quotes stay as they are.
    file = io.StringIO(text, newline="")
    reader = csv.reader(file, delimiter=separator, strict=True, skipinitialspace=True)
    try:
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error:
        found = f"a cell that does not end up to line {reader.line_num}"
        raise MotionFault(MotionFaultKind.NO_TABLE, where=where, found=found) from None


def _check_head(names: Sequence[str], where: str) -> None:
    """Refuse a head that has not a time, one load and at most a speed beside them."""
    if all(_is_number(one) for one in names):
        found = "numbers in the first line"
        raise MotionFault(MotionFaultKind.NO_HEAD, where=where, found=found)
    if len(names) == 1:
        found = f"one column {_shown(names[0])} in its first line"
        raise MotionFault(MotionFaultKind.ONE_COLUMN, where=where, found=found)
    for at, one in enumerate(names):
        if one not in COLUMNS:
            raise _unknown_column(one, names, where)
        if one in names[:at]:
            found = f"two columns {one}"
            raise MotionFault(MotionFaultKind.SAME_COLUMN, where=where, found=found)
    loads = [one for one in LOADS if one in names]
    if TIME not in names or not loads:
        missing = " or ".join(LOADS) if TIME in names else TIME
        found = f"no column {missing} among {', '.join(names)}"
        raise MotionFault(MotionFaultKind.MISSING_COLUMN, where=where, found=found)
    if len(loads) > 1:
        found = "both torque_Nm and current_A"
        raise MotionFault(MotionFaultKind.TWO_LOADS, where=where, found=found)


def _unknown_column(name: str, names: Sequence[str], where: str) -> MotionFault:
    """Return a fault that says which column was meant, where one like it is not there."""
    lower = name.casefold()
    kind, found = MotionFaultKind.UNKNOWN_COLUMN, f"a column {_shown(name)}"
    for stems, column, held in _MEANT:
        if column in names or not any(
            lower == one or (len(one) > 1 and lower.startswith(one)) for one in stems
        ):
            continue
        is_spelling = lower == column.casefold()
        hint = f"Call it {column}" + ("." if is_spelling else ", with its values in that unit.")
        expected = f"{column}, {held}"
        return MotionFault(kind, where=where, found=found, expected=expected, hint=hint)
    return MotionFault(kind, where=where, found=found if name else "a column without a name")


def _numbers(
    row: Sequence[str], names: Sequence[str], number: int, separator: str, where: str
) -> list[float]:
    """Return the cells of a row as finite numbers."""
    if len(row) != len(names):
        cells = "1 cell" if len(row) == 1 else f"{len(row)} cells"
        found = f"{cells} in row {number} under {len(names)} columns"
        hint = ""
        if separator == "," and len(row) > len(names):
            hint = "For decimals with a comma put semicolons between the cells."
        raise MotionFault(MotionFaultKind.RAGGED, where=where, found=found, hint=hint)
    out = []
    for name, cell in zip(names, row, strict=True):
        text = cell if separator == "," else cell.replace(",", ".", 1)
        value = _cell_value(text)
        if not abs(value) < MOST_VALUE:
            raise _bad_cell(cell, value, number, name, where)
        out.append(value)
    return out


def _bad_cell(cell: str, value: float, number: int, name: str, where: str) -> MotionFault:
    text = cell.strip()
    found = f"{_shown(text) if text else 'an empty cell'} in row {number}, column {name}"
    if np.isfinite(value):
        return MotionFault(MotionFaultKind.TOO_LARGE, where=where, found=found)
    expected = "a number of seconds" if name == TIME else ""
    return MotionFault(MotionFaultKind.NOT_A_NUMBER, where=where, found=found, expected=expected)


def _check_marks(rows: Sequence[Sequence[str]], where: str) -> None:
    """Refuse a table in which a comma may stand before decimals or between thousands."""
    cells = [cell for row in rows for cell in row]
    comma = next((one for one in cells if "," in one), "")
    point = next((one for one in cells if "." in one), "")
    if comma and point:
        found = f"both {_shown(comma.strip())} and {_shown(point.strip())}"
        raise MotionFault(MotionFaultKind.TWO_MARKS, where=where, found=found)


def _check_times(time_s: Floats, rows: Sequence[int], where: str) -> None:
    back = np.flatnonzero(np.diff(time_s) <= 0.0)
    if len(back):
        at = int(back[0])
        found = f"{time_s[at + 1]:g} s in row {rows[at + 1]} after {time_s[at]:g} s"
        raise MotionFault(MotionFaultKind.TIME_BACK, where=where, found=found)
    lasts_s = float(time_s[-1] - time_s[0])
    if lasts_s > MOST_MOTION_S:
        found = f"a motion of {lasts_s / 86_400.0:.0f} days"
        raise MotionFault(MotionFaultKind.TOO_LONG, where=where, found=found)
    if lasts_s < LEAST_MOTION_S:
        found = f"a motion of {lasts_s:.2g} s"
        raise MotionFault(MotionFaultKind.TOO_SHORT, where=where, found=found)


def _shown(text: str) -> str:
    """Return a cell in quotes, cut, with what would steer a terminal written out."""
    return repr(text[:MOST_SHOWN] + ("…" if len(text) > MOST_SHOWN else ""))


def _cell_value(text: str) -> float:
    """Return a text as a number, NaN where it is none."""
    # Python takes marks between thousands and digits of other scripts, which no table has.
    if "_" in text or not text.isascii():
        return np.nan
    try:
        return float(text)
    except ValueError:
        return np.nan


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
