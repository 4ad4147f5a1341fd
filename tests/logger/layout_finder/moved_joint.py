"""The four steps as a joint's output angle, and fields put into frames: tiny, for tests."""

import numpy as np

from logger.layout_finder.bits import BitField
from logger.layout_finder.traffic import Marks, Traffic

MARKS = Marks(rest=(0.0, 5.0), turn=(5.5, 21.5), load=(22.5, 46.5), warm=(47.5, 75.0))
POSITION = BitField(0, 16, "little")
SPEED = BitField(16, 12, "little")
COUNTER = BitField(28, 4, "little")
LOAD = BitField(32, 16, "big")
VOLTAGE = BitField(8, 16, "big")
_WAY = (
    *((0.0, 0.0), (6.0, 0.0), (12.5, 360.0), (14.5, 360.0), (21.0, 0.0), (23.0, 0.0)),
    *((27.0, 90.0), (31.0, 90.0), (38.0, -90.0), (42.0, -90.0), (46.0, 0.0), (48.0, 0.0)),
)


def move_joint(rate_hz: float = 100.0, turn_deg: float = 360.0) -> tuple[np.ndarray, np.ndarray]:
    """Return instants in s and the output's angle in rad: rest, turn, load, swings to warm up."""
    time_s = np.arange(0.0, 75.0, 1.0 / rate_hz)
    nodes = np.array(_WAY)
    nodes[2:4, 1] = turn_deg
    angle = np.interp(time_s, nodes[:, 0], nodes[:, 1])
    warming = time_s > 48.0
    angle[warming] = 60.0 * np.sin(2.0 * np.pi * (time_s[warming] - 48.0) / 4.0)
    # Corners of a movement are round.
    width = max(3, round(0.3 * rate_hz)) | 1
    padded = np.pad(angle, width // 2, mode="edge")
    return time_s, np.radians(np.convolve(padded, np.ones(width) / width, mode="valid"))


def write_frames(bits: dict, count: int, width: int) -> np.ndarray:
    """Return frames in which each field has its values."""
    payload = np.zeros((count, width), dtype=np.uint8)
    for field, value in bits.items():
        for number, (byte, bit) in enumerate(field.bit_places):
            payload[:, byte] |= ((value >> number & 1) << bit).astype(np.uint8)
    return payload


def joint_traffic(*, turn_deg: float = 360.0, noise: float = 1.0, seed: int = 6) -> Traffic:
    """Return position, speed, counter, load and a sum; and, in turn, two slow kinds."""
    random = np.random.default_rng(seed)
    time_s, angle = move_joint(100.0, turn_deg)
    speed = np.gradient(angle, time_s)
    torque = 2.0 * 0.4 * 9.80665 * np.sin(angle) + 0.8 * np.tanh(speed / 0.02) + 0.3 * speed

    def counted(value: np.ndarray, width: float) -> np.ndarray:
        return np.round(value + noise * random.normal(0, width, len(value))).astype(int)

    fast = write_frames(
        {
            POSITION: counted(angle * 4000.0 + 900, 0.8) & 0xFFFF,
            SPEED: counted(speed * 300.0, 4.0) & 0xFFF,
            COUNTER: np.arange(len(time_s)) & 15,
            LOAD: counted(torque * 50.0, 9.0) & 0xFFFF,
        },
        len(time_s),
        7,
    )
    fast[:, 6] = (fast[:, :6].sum(axis=1) + 0x31) & 0xFF
    slow_s = time_s[::4] + 0.0021
    warm = 24.0 + 9.0 * (1.0 - np.exp(-np.maximum(0.0, slow_s - 48.0) / 15.0))
    second = np.arange(len(slow_s)) & 1
    slow = write_frames(
        {
            BitField(0, 8): 0x10 + second,
            VOLTAGE: np.where(second, 0x0300, counted(np.full(len(slow_s), 481.0), 0.9)),
            BitField(24, 8): np.where(second, counted(warm * 2.0, 0.2), 0xA0),
        },
        len(slow_s),
        4,
    )
    frames = [bytes(row) for row in fast] + [bytes(row) for row in slow]
    return Traffic(
        time_s=np.concatenate([time_s, slow_s]),
        identifier=np.array([0x120] * len(fast) + [0x121] * len(slow)),
        extended=np.zeros(len(frames), dtype=bool),
        data=frames,
    )
