"""A motion that is planned: load and speed over time, stretched and multiplied as asked. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from logger.joint.thermal.thermal_load import LoadSteps

__all__ = ["Motion", "MotionFault", "MotionFaultKind", "motion_of_rows", "motion_steps"]

LEAST_MOTION_STEPS: Final = 200
MOST_MOTION_STEPS: Final = 5000
FINE_SHARE: Final = 0.05
"""Of the fast time constant, that a step lasts."""


class MotionFaultKind(StrEnum):
    """What is wrong with a motion."""

    COLUMNS = "columns"
    NOT_A_NUMBER = "not a number"
    TIME_BACK = "time back"
    TOO_FEW = "too few"
    TOO_LONG = "too long"
    GAP = "gap"
    NO_CONSTANT = "no constant"
    NO_SPAN = "no span"
    LOAD_NOT_KNOWN = "load not known"


class MotionFault(InputError):
    """A motion that nothing can be told of; `kind` says why, without its words."""

    def __init__(self, kind: MotionFaultKind, *, where: str, found: str = "") -> None:
        self.kind = kind
        super().__init__(_MOTION_SENTENCES[kind].format(found=found), where=where)


_MOTION_SENTENCES: Final = {
    MotionFaultKind.COLUMNS: (
        "found the columns {found}, expected time_s, one of torque_Nm and current_A, and if known "
        "speed_rad_s."
    ),
    MotionFaultKind.NOT_A_NUMBER: "found {found}, expected a number in each cell.",
    MotionFaultKind.TIME_BACK: "found {found}, expected times that grow from row to row.",
    MotionFaultKind.TOO_FEW: (
        "found {found}, expected at least two: a value holds until the next row, and the last one "
        "ends the motion."
    ),
    MotionFaultKind.TOO_LONG: "found a motion of {found}, expected at most 30 days.",
    MotionFaultKind.GAP: (
        "found {found} without a load in this span, expected a span of the recording without a gap."
    ),
    MotionFaultKind.NO_CONSTANT: (
        "found a {found}, while heat was fitted to the other: expected torque.per_ampere in the "
        "bench file, which makes one of the other."
    ),
    MotionFaultKind.LOAD_NOT_KNOWN: (
        "found recordings of {found} that do not tell what a load warms it by, expected load steps "
        "without a change of cooling: `dutytrace heat` names the measurement that settles it."
    ),
    MotionFaultKind.NO_SPAN: (
        "found {found}, expected a CSV file that is there, or a span of the recording such as "
        "10min..25min."
    ),
}
MOST_S: Final = 30 * 86_400.0
MOST_REPEATED: Final = 120
"""Letters of a file's head in an error."""
TIME: Final = "time_s"
MOTION_SPEED: Final = "speed_rad_s"
LOADS: Final = ("torque_Nm", "current_A")


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """n steps of a load, each held; each array of shape (n,)."""

    name: str
    """The file's, or the span's."""
    duration_s: Floats
    square: Floats
    """Mean square of the load in each step."""
    load_channel: str
    """`torque_Nm` or `current_A`."""
    peak: float
    """Largest magnitude of the load."""
    speed: Floats | None
    """Mean magnitude, in rad/s; None: not known."""
    speed_square: Floats | None

    @property
    def lasts_s(self) -> float:
        """Length of one pass."""
        return float(self.duration_s.sum())

    @property
    def rms(self) -> float:
        """RMS of the load, time-weighted."""
        return float(np.sqrt(self.duration_s @ self.square / self.lasts_s))

    def changed(self, *, factor: float, stretch: float) -> "Motion":
        """Return it with a load times `factor`, in `stretch` times its time."""
        speed, speed_square = self.speed, self.speed_square
        return replace(
            self,
            duration_s=self.duration_s * stretch,
            square=self.square * factor**2,
            peak=self.peak * factor,
            speed=None if speed is None else speed / stretch,
            speed_square=None if speed_square is None else speed_square / stretch**2,
        )


def motion_of_rows(
    head: Sequence[str], rows: Sequence[Sequence[str]], *, name: str, where: str
) -> Motion:
    """Return a motion of the rows of a table; a value holds until the next row.

    Parameters
    ----------
    head
        Names of the columns: `time_s`, `torque_Nm` or `current_A`, `speed_rad_s` if known.

    Raises
    ------
    MotionFault
        Columns, a cell, or times are not as they should be; it names the row, the head being 1.
    """
    names = [one.strip() for one in head]
    load = [one for one in LOADS if one in names]
    known = {TIME, MOTION_SPEED, *LOADS}
    if (
        TIME not in names
        or len(load) != 1
        or not known >= set(names)
        or len(set(names)) < len(names)
    ):
        found = ", ".join(names)[:MOST_REPEATED] if any(names) else "nothing"
        raise MotionFault(MotionFaultKind.COLUMNS, where=where, found=found)
    if len(rows) < 2:
        found = "1 row" if len(rows) == 1 else "no rows"
        raise MotionFault(MotionFaultKind.TOO_FEW, where=where, found=found)
    values = np.array([_numbers(row, names, at, where) for at, row in enumerate(rows, 2)])
    time_s = values[:, names.index(TIME)]
    back = np.flatnonzero(np.diff(time_s) <= 0.0)
    if len(back):
        at = int(back[0])
        found = f"{time_s[at + 1]:g} s after {time_s[at]:g} s in row {at + 3}"
        raise MotionFault(MotionFaultKind.TIME_BACK, where=where, found=found)
    held = values[:-1, names.index(load[0])]
    speed = np.abs(values[:-1, names.index(MOTION_SPEED)]) if MOTION_SPEED in names else None
    motion = Motion(
        name=name,
        duration_s=np.diff(time_s),
        square=np.square(held),
        load_channel=load[0],
        peak=float(np.abs(held).max()),
        speed=speed,
        speed_square=None if speed is None else np.square(speed),
    )
    if motion.lasts_s > MOST_S:
        found = f"{motion.lasts_s / 86_400.0:.0f} days"
        raise MotionFault(MotionFaultKind.TOO_LONG, where=where, found=found)
    return motion


def _numbers(row: Sequence[str], names: Sequence[str], number: int, where: str) -> list[float]:
    """Return the cells of a row as finite numbers."""
    if len(row) != len(names):
        cells = "1 cell" if len(row) == 1 else f"{len(row)} cells"
        found = f"{cells} in row {number}, under {len(names)} columns"
        raise MotionFault(MotionFaultKind.NOT_A_NUMBER, where=where, found=found)
    out = []
    for name, cell in zip(names, row, strict=True):
        try:
            value = float(cell)
        except ValueError:
            value = np.nan
        # Beyond that no joint turns or pulls, and a square could overflow.
        if not abs(value) < 1e9:
            found = f"{cell.strip()[:40]!r} in row {number}, column {name}"
            raise MotionFault(MotionFaultKind.NOT_A_NUMBER, where=where, found=found)
        out.append(value)
    return out


def motion_steps(motion: Motion, *, per_load: float, fast_s: float) -> LoadSteps:
    """Return equal steps, fine against a time constant, with the loss of the motion in each.

    Parameters
    ----------
    per_load
        What heat was fitted to (A or N.m), for one of the motion's load.
    fast_s
        The fast time constant of the joint.
    """
    count = int(
        np.clip(motion.lasts_s / (FINE_SHARE * fast_s), LEAST_MOTION_STEPS, MOST_MOTION_STEPS)
    )
    edge_s = np.append(0.0, np.cumsum(motion.duration_s))
    grid_s = np.linspace(0.0, edge_s[-1], count + 1)
    width_s = np.diff(grid_s)

    def averaged(values: Floats | None) -> Floats:
        if values is None:
            return np.zeros(count)
        sums = np.append(0.0, np.cumsum(values * motion.duration_s))
        return np.asarray(np.diff(np.interp(grid_s, edge_s, sums)) / width_s)

    return LoadSteps(
        duration_s=width_s,
        mean_square_A2=averaged(motion.square) * per_load**2,
        mean_speed_rad_s=averaged(motion.speed),
        mean_square_speed_rad2_s2=averaged(motion.speed_square),
    )
