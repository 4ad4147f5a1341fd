"""A joint with a single-turn encoder on its motor, which goes from one set-point to the next."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts

__all__ = ["GEAR", "TURNING_LAYOUT", "TURN_RAD", "TurningJoint", "turning_bench"]

S, MS = 1_000_000_000, 1_000_000
START_NS = 1_795_000_000 * S
GEAR = 9.0
TURN_RAD = 2 * np.pi / GEAR
"""One turn of the motor, at the output."""
TURNING_LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "motion"
identifier = 0x10
length = 4
period_s = 0.01
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 14
side = "motor"
encoder = { counts = 16384 }
[[frame.value]]
channel = "speed_rad_s"
byte = 2
bits = 16
signed = true
unit = "rpm"
side = "motor"
[[frame]]
name = "set-point"
identifier = 0x11
length = 4
period_s = 0.05
[[frame.value]]
channel = "position_setpoint_rad"
byte = 0
bits = 32
signed = true
scale = 1e-6
[[frame]]
name = "boot"
identifier = 0x12
length = 1
[[frame.part]]
name = "state"
byte = 0
bits = 8
restart = 0
"""


def turning_bench(joint: str = "", layout: str = TURNING_LAYOUT) -> Bench:
    """Return a bench of one such joint, with more settings or another layout."""
    text = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n'
    return bench_from_texts(f"{text}gear_ratio = {GEAR}\n{joint}", {"l": layout}, where="bench")


@dataclass(kw_only=True)
class TurningJoint:
    """A joint that goes to one target after the other, and rests there."""

    targets: Sequence[float]
    """In turns of the motor."""
    rest_s: float = 1.0
    move_s: float = 1.0
    error: float = 0.004
    """How far it stands from its set-point, in turns."""
    follows: bool = True

    @property
    def length_s(self) -> float:
        """Return how long its targets take."""
        return len(self.targets) * (self.rest_s + self.move_s)

    def setpoint(self, at_s: float) -> float:
        """Return its target, in turns."""
        return self.targets[min(int(at_s / (self.rest_s + self.move_s)), len(self.targets) - 1)]

    def turns(self, at_s: float) -> float:
        """Return where it is, in turns."""
        if not self.follows:
            return 0.37
        leg = min(int(at_s / (self.rest_s + self.move_s)), len(self.targets) - 1)
        begin = self.targets[max(leg - 1, 0)]
        done = min((at_s - leg * (self.rest_s + self.move_s)) / self.move_s, 1.0)
        share = 0.5 - 0.5 * np.cos(np.pi * done)
        return begin + (self.targets[leg] - begin) * share + self.error

    def frames(
        self, gaps: Sequence[tuple[float, float]] = (), *, boots_s: Sequence[float] = ()
    ) -> FrameBatch:
        """Return what it sends: a count every 10 ms, a set-point every 50 ms, nothing in gaps."""
        rows = []
        for tick in range(round(self.length_s * 100)):
            at_s = tick / 100
            if any(begin <= at_s < end for begin, end in gaps):
                continue
            time_ns = START_NS + tick * 10 * MS
            if tick % 5 == 0:
                raw = round(self.setpoint(at_s) * TURN_RAD * 1e6)
                rows.append((time_ns, 0x11, 0, raw.to_bytes(4, "little", signed=True)))
            speed = (self.turns(at_s + 1e-4) - self.turns(at_s - 1e-4)) / 2e-4
            count = round(self.turns(at_s) * 16384) % 16384
            rows.append(
                (
                    time_ns + MS,
                    0x10,
                    0,
                    count.to_bytes(2, "little")
                    + round(speed * 60).to_bytes(2, "little", signed=True),
                )
            )
        rows += [(START_NS + round(at_s * S), 0x12, 0, b"\0") for at_s in boots_s]
        return FrameBatch.from_rows(sorted(rows))
