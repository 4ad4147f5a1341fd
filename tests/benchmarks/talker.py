"""Two joints that report at 1 kHz behind a serial line, as a process of its own.

    python -m tests.benchmarks.talker LINE [SECONDS]

Every millisecond a frame of each: temperature, torque, speed and position of a cycle of 4 s, with
noise of a count. From SECONDS on a push beyond `ABOVE_NM` every 4 s, so that events come.
"""

import os
import random
import struct
import sys
import time
from pathlib import Path
from typing import Final

import numpy as np

from logger.simulate.line_protocol import CanFrame, LineProtocol
from logger.simulate.serial_line import SerialLine

__all__ = ["BENCH", "LAYOUT", "LIMITS"]

CYCLE_S: Final = 4.0
STEP_S: Final = 0.001
ABOVE_NM: Final = 12.0
_CHANNELS: Final = (
    ("temperature_housing_degC", 0, 0.1),
    ("torque_Nm", 2, 0.01),
    ("speed_rad_s", 4, 0.001),
    ("position_rad", 6, 0.0001),
)
LAYOUT: Final = """
format = 1
name = "four"
[[frame]]
name = "status"
identifier = "0x280 + node"
length = 8
period_s = 0.001
""" + "".join(
    f'[[frame.value]]\nchannel = "{channel}"\nbyte = {byte}\nbits = 16\nsigned = true\n'
    f"scale = {scale}\n"
    for channel, byte, scale in _CHANNELS
)
BENCH: Final = """
[bus]
interface = "slcan"
channel = "{line}"
bitrate = 1_000_000
[[joint]]
name = "shoulder"
layout = "four"
node = 1
[[joint]]
name = "elbow"
layout = "four"
node = 2
"""
LIMITS: Final = f"""
format = 1
[[limit]]
name = "pushed"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above = {ABOVE_NM}
drop_off = 10.0
[[limit]]
name = "warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = 70.0
drop_off = 67.0
"""


def _payload(node: int, tick: int, *, pushed: bool, dice: random.Random) -> bytes:
    at_s = tick * STEP_S
    phase = 2 * np.pi * (at_s / CYCLE_S + node / 5)
    swing = float(np.sin(phase))
    torque = 9 * swing
    if pushed and at_s % CYCLE_S < 0.3:
        torque = ABOVE_NM + 2
    heat = 40 + 8 * node - 20 * float(np.exp(-at_s / 3000))
    values = (heat, torque, 1.5 * swing, -0.95 * float(np.cos(phase)))
    return struct.pack(
        "<4h",
        *(
            round(value / scale) + dice.randint(-1, 1)
            for value, (_, _, scale) in zip(values, _CHANNELS, strict=True)
        ),
    )


def main(link: Path, pushes_from_s: float) -> None:
    """Talk until whoever started it is gone."""
    protocol = LineProtocol(lambda _frame: ())
    dice = random.Random(7)
    parent = os.getppid()
    with SerialLine(link) as line:
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        while protocol.channel == "closed" and os.getppid() == parent:
            line.write(protocol.feed_bytes(line.read(timeout_s=0.1)))
        begun, tick = time.monotonic(), 0
        while os.getppid() == parent:
            late_s = time.monotonic() - begun - tick * STEP_S
            if late_s < 0:
                line.write(protocol.feed_bytes(line.read(timeout_s=-late_s)))
                continue
            pushed = tick * STEP_S >= pushes_from_s
            frames = [
                CanFrame(
                    identifier=0x280 + node,
                    data=_payload(node, tick, pushed=pushed, dice=dice),
                )
                for node in (1, 2)
            ]
            line.write(protocol.frame_lines(frames))
            tick += 1


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else float("inf"))
