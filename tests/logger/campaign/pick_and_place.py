"""Courses that return every four seconds, and readings of a joint that follows one."""

import numpy as np

from logger.joint.batch import ReadingBatch

S = 1_000_000_000
START_NS = 1_795_000_000 * S
RATE_HZ = 50
CYCLE_S = 4.0
CYCLES = 30
_POINTS = {
    "one peak": ((0.0, 0.0), (1.0, 0.0), (2.0, 10.0), (2.5, 10.0), (3.5, 0.0), (4.0, 0.0)),
    "two peaks": ((0.0, 3.0), (0.8, 10.0), (2.0, 0.0), (3.0, 9.0), (4.0, 3.0)),
    "two steps": ((0.0, 4.0), (0.5, 0.0), (1.5, 10.0), (2.5, 0.0), (3.2, 4.0), (4.0, 4.0)),
}


def stamps(count: int) -> np.ndarray:
    """Return so many times at 50 Hz."""
    return START_NS + np.arange(count, dtype=np.int64) * (S // RATE_HZ)


def course(name: str, cycles: int = CYCLES) -> np.ndarray:
    """Return a course over some cycles, none of them different."""
    at, values = zip(*_POINTS[name], strict=True)
    one = np.interp(np.arange(round(CYCLE_S * RATE_HZ)) / RATE_HZ, at, values)
    return np.tile(one, cycles)


def readings(position: np.ndarray, *, segment: np.ndarray | None = None) -> ReadingBatch:
    """Return readings of a joint with that course: position, speed, torque, slow temperature."""
    count = len(position)
    speed = np.gradient(position) * RATE_HZ
    temperature = np.full(count, np.nan)
    temperature[::25] = 40.0 + np.arange(len(temperature[::25])) * 0.001
    return ReadingBatch(
        joint="a",
        time_ns=stamps(count),
        position_segment=np.zeros(count, np.int32) if segment is None else segment,
        columns={
            "position_rad": position,
            "speed_rad_s": speed,
            "torque_Nm": 5.0 + 2.0 * np.sign(speed),
            "current_A": (5.0 + 2.0 * np.sign(speed)) / 1.6,
            "temperature_housing_degC": temperature,
        },
    )
