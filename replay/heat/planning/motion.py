"""A motion that is planned: load and speed over time, stretched and multiplied as asked. Pure."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.thermal_load import LoadSteps

__all__ = ["MOTION_SPEED", "Motion", "motion_steps"]

LEAST_MOTION_STEPS: Final = 200
MOST_MOTION_STEPS: Final = 5000
FINE_SHARE: Final = 0.05
"""Of the fast time constant, that a step lasts."""


MOTION_SPEED: Final = "speed_rad_s"


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
