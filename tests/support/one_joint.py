"""A bench of one joint with a layout of the test's own, and one frame of it decoded."""

from typing import Final

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan

__all__ = ["MOTOR", "ONE_JOINT", "decode_one", "one_joint_bench"]

ONE_JOINT: Final = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\nnode = 3\n'
MOTOR: Final = """
[[frame]]
name = "s"
identifier = 0x10
length = 8
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 16
side = "motor"
encoder = { counts = 65536 }
[[frame.value]]
channel = "speed_rad_s"
byte = 2
bits = 16
signed = true
side = "motor"
[[frame.value]]
channel = "current_A"
byte = 4
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "torque_setpoint_Nm"
byte = 6
bits = 16
signed = true
scale = 0.01
"""
"""One frame with what a drive reports of its motor: position, speed, current and set-point."""


def one_joint_bench(layout: str, joint: str = "") -> Bench:
    """Return the bench: `layout` are the frames, `joint` further keys of the joint."""
    return bench_from_texts(
        ONE_JOINT + joint, {"l": f'format = 1\nname = "l"\n{layout}'}, where="bench.toml"
    )


def decode_one(bench: Bench, identifier: int, payload: str, *, flags: int = 0) -> dict[str, float]:
    """Return the only reading that a frame gives, by channel; `payload` in hexadecimal."""
    frames = FrameBatch.from_rows([(0, identifier, flags, bytes.fromhex(payload))])
    decoded, _ = decode(decode_plan(bench), DecodeState(), frames)
    readings = decoded.readings[0]
    assert len(readings) == 1, decoded.rejected
    return {name: float(values[0]) for name, values in readings.columns.items()}
