"""The four steps as a joint's output angle, and fields put into frames: tiny, for tests."""

import numpy as np

from logger.layout_finder.traffic import Marks

MARKS = Marks(rest=(0.0, 5.0), turn=(5.5, 21.5), load=(22.5, 46.5), warm=(47.5, 75.0))
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
