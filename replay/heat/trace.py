"""What a fit of heat is given: the load in steps, and the counts that temperature sensors showed.

Pure. Steps of one *stretch of knowledge* (a segment) follow each other without a pause; a gap ends
a segment, for nothing is known of the load within it, and the temperatures after it are unknowns.
"""
# ruff: noqa: N815 - units are written as units are: K and A are capitals

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from logger.arrays import Floats, Ints
from logger.joint.thermal.thermal_load import LoadSteps, Node

__all__ = ["HeatTrace", "SensorCounts", "SensorPlace", "StatedAmbient"]


class SensorPlace(StrEnum):
    """What a temperature sensor is in or on."""

    WINDING = "winding"
    HOUSING = "housing"
    AMBIENT = "ambient"

    @property
    def node(self) -> Node:
        """The node that it is on; the ambient is none."""
        return Node(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorCounts:
    """The m different readings of one sensor: where, which count, how often."""

    place: SensorPlace
    resolution_K: float
    """The step of one count."""
    step: Ints
    """In which step of the load, shape (m,)."""
    fraction: Floats
    """Where in that step: 0 at its beginning, 1 at its end."""
    value_degC: Floats
    n: Floats
    """How many readings: a weight."""
    noise_K: float | None = None
    """Standard uncertainty of a reading, where it is known; None: the fit finds it."""

    def select(self, kept: np.ndarray) -> "SensorCounts":
        """Return the readings whose place in a mask over steps is true."""
        rows = kept[self.step]
        return SensorCounts(
            place=self.place,
            resolution_K=self.resolution_K,
            step=self.step[rows],
            fraction=self.fraction[rows],
            value_degC=self.value_degC[rows],
            n=self.n[rows],
            noise_K=self.noise_K,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedAmbient:
    """An ambient that somebody typed in."""

    degC: float
    uncertainty_K: float
    """Standard uncertainty of its mean over the recording; the drift comes on top."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatTrace:
    """The load of n steps in order of time, and what the sensors showed meanwhile."""

    steps: LoadSteps
    begin_s: Floats
    """Begin of each step, since the first."""
    segment: Ints
    """Number of the segment of each step, from 0, non-decreasing."""
    sensors: tuple[SensorCounts, ...]

    @property
    def segments(self) -> int:
        """How many segments there are."""
        return int(self.segment[-1]) + 1 if len(self.segment) else 0

    @property
    def hours(self) -> float:
        """Time with a known load."""
        return float(self.steps.duration_s.sum()) / 3600.0

    def sensor_at(self, place: SensorPlace) -> SensorCounts | None:
        """Return the sensor at a place, None where there is none."""
        return next((one for one in self.sensors if one.place is place), None)

    def coarser(self, factor: int) -> "HeatTrace":
        """Return the trace with `factor` neighbouring steps of a segment as one.

        Readings keep their place to a half of the wider step.
        """
        order = np.arange(len(self.begin_s))
        first = np.flatnonzero(np.diff(self.segment, prepend=-1))
        within = order - first[self.segment]
        heads = np.flatnonzero(within % factor == 0)
        joined = np.searchsorted(heads, order, "right") - 1
        duration = self.steps.duration_s
        total_s = np.add.reduceat(duration, heads)

        def mean(values: Floats) -> Floats:
            return np.asarray(np.add.reduceat(values * duration, heads) / total_s)

        return HeatTrace(
            steps=LoadSteps(
                duration_s=total_s,
                mean_square_A2=mean(self.steps.mean_square_A2),
                mean_speed_rad_s=mean(self.steps.mean_speed_rad_s),
                mean_square_speed_rad2_s2=mean(self.steps.mean_square_speed_rad2_s2),
            ),
            begin_s=self.begin_s[heads],
            segment=self.segment[heads],
            sensors=tuple(
                _coarser_counts(
                    one,
                    self.begin_s[one.step] + one.fraction * duration[one.step],
                    joined,
                    self.begin_s[heads],
                    total_s,
                )
                for one in self.sensors
            ),
        )

    def without_joint_in(self, left: np.ndarray) -> "HeatTrace":
        """Return the trace without the joint's readings of some steps.

        Each segment's first ones are kept, and the room's.
        """
        first = np.flatnonzero(np.diff(self.segment, prepend=-1))
        shown = ~left
        shown[first] = True
        return replace(
            self,
            sensors=tuple(
                one if one.place is SensorPlace.AMBIENT else one.select(shown)
                for one in self.sensors
            ),
        )

    def with_readings_in(self, kept: np.ndarray) -> "HeatTrace":
        """Return the trace with the readings of some steps only; the load stays whole."""
        return HeatTrace(
            steps=self.steps,
            begin_s=self.begin_s,
            segment=self.segment,
            sensors=tuple(one.select(kept) for one in self.sensors),
        )


def _coarser_counts(
    sensor: SensorCounts, at_s: Floats, joined: Ints, begin_s: Floats, total_s: Floats
) -> SensorCounts:
    """Return readings made at `at_s` in wider steps that begin at `begin_s`."""
    step = joined[sensor.step]
    since_s = at_s - begin_s[step]
    half = np.minimum((2.0 * since_s / total_s[step]).astype(np.int64), 1)
    counts = np.rint(sensor.value_degC / sensor.resolution_K).astype(np.int64)
    keys, at = np.unique(np.stack([step, half, counts]), axis=1, return_inverse=True)
    at = at.reshape(-1)
    n = np.bincount(at, sensor.n).astype(np.float64)
    return SensorCounts(
        place=sensor.place,
        resolution_K=sensor.resolution_K,
        step=keys[0],
        fraction=np.bincount(at, sensor.n * since_s / total_s[step]) / n,
        value_degC=np.bincount(at, sensor.n * sensor.value_degC) / n,
        n=n,
        noise_K=sensor.noise_K,
    )
