"""Error frames of SocketCAN in words."""

from logger.joint.batch import ERROR, FrameBatch
from logger.traffic.error_classes import count_error_classes


def test_classes_and_details_are_counted():
    """By the bits of linux/can/error.h: a frame may carry several, and says why in its bytes."""
    frames = FrameBatch.from_rows(
        [
            (0, 0x088, ERROR, bytes([0, 0, 0x04, 0, 0, 0, 0, 0])),
            (1, 0x088, ERROR, bytes([0, 0, 0x02, 0, 0, 0, 0, 0])),
            (2, 0x204, ERROR, bytes([0, 0x10, 0, 0, 0, 0, 0, 128])),
            (3, 0x040, ERROR, bytes(8)),
            (4, 0x020, 0, b"\xff" * 8),
        ]
    )
    assert count_error_classes(frames) == {
        "bus error": 2,
        "protocol violated": 2,
        "wrong stuff bit": 1,
        "frame malformed": 1,
        "controller state": 1,
        "error-passive on receiving": 1,
        "bus off": 1,
    }


def test_details_count_only_with_their_class():
    """Byte 2 of a frame that is no protocol violation says nothing about one."""
    frames = FrameBatch.from_rows([(0, 0x040, ERROR, b"\xff" * 8)])
    assert count_error_classes(frames) == {"bus off": 1}
    assert count_error_classes(FrameBatch.empty()) == {}
