"""The figures of each bus of a bench: what is whose, what is not decoded, who is silent."""

import numpy as np
import pytest

from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.traffic.bus_statistics import BusStatistics, bus_statistics, statistics_plan
from logger.traffic.frame_length import frame_bits

BENCH = """
[[bus]]
name = "left"
interface = "socketcan"
channel = "can0"
bitrate = 500_000
[[bus]]
name = "right"
interface = "virtual"
channel = "b"
[[joint]]
name = "shoulder"
bus = "left"
layout = "talks"
node = 3
[[joint]]
name = "elbow"
bus = "left"
layout = "answers"
node = 4
[[joint]]
name = "wrist"
bus = "right"
layout = "talks"
node = 5
"""
TALKS = """
format = 1
name = "talks"
[[frame]]
name = "status"
identifier = "0x280 + node"
begins = "41"
length = 3
[[frame.value]]
channel = "current_A"
byte = 1
bits = 16
[[frame]]
name = "command"
identifier = "0x200 + node"
length = 2
[[frame.value]]
channel = "torque_setpoint_Nm"
byte = 0
bits = 16
"""
ANSWERS = """
format = 1
name = "answers"
[[request]]
name = "ask"
identifier = "0x600 + node"
data = "41"
period_s = 0.01
[[frame]]
name = "motion"
identifier = "0x300 + node"
begins = "41"
length = 3
[[frame.value]]
channel = "current_A"
byte = 1
bits = 16
[[frame]]
name = "set-points"
identifier = "0x300 + node"
begins = "53"
length = 3
[[frame.value]]
channel = "torque_setpoint_Nm"
byte = 1
bits = 16
"""
LAYOUTS = {"talks": TALKS, "answers": ANSWERS}
S = 1_000_000_000


def _figures(*buses: list[tuple[int, int, bytes]], text: str = BENCH) -> tuple[BusStatistics, ...]:
    """Return the figures of rows (identifier, flags, payload), a millisecond apart, over 1 s."""
    bench = bench_from_texts(text, LAYOUTS, where="bench.toml")
    batches = [
        FrameBatch.from_rows([(i * 1_000_000, *row) for i, row in enumerate(rows)], bus=place)
        for place, rows in enumerate(buses)
    ]
    return bus_statistics(
        FrameBatch.concatenate(batches), statistics_plan(bench), start_ns=0, end_ns=S
    )


def test_each_identifier_is_somebodys():
    """A joint's own, a set-point told to it, a request asked of it, or unknown."""
    left, right = _figures(
        [
            (0x283, 0, b"\x41\x00\x00"),
            (0x203, 0, b"\x00\x00"),
            (0x304, 0, b"\x53\x00\x00"),
            (0x604, 0, b"\x41"),
            (0x123, 0, b""),
        ],
        [],
    )
    told = {one.identifier_text: (one.role, one.joints, one.frame) for one in left.messages}
    assert told == {
        "0x283": ("joint", ("shoulder",), "status"),
        "0x203": ("set-point", ("shoulder",), "command"),
        # Among a joint's own answers, its set-points are what it reports of them.
        "0x304": ("joint", ("elbow",), "set-points"),
        "0x604": ("request", ("elbow",), None),
        "0x123": ("unknown", (), None),
    }
    # A request that a layout knows is decoded by nobody, and missed by nobody.
    assert left.undecoded == {"identifier of no joint": 1}
    assert (left.silent, left.only_requested) == ((), ("elbow",))
    assert (right.silent, right.frames, right.messages) == (("wrist",), 0, ())


def test_rates_and_load_are_of_their_bus():
    """Load from the exact lengths and the bus's own bit rate; unknown without one."""
    rows = [(0x283, 0, b"\x41\x00\x00")] * 100
    left, right = _figures(rows, rows[:10])
    bits = frame_bits(FrameBatch.from_rows([(0, *rows[0])]))[0]
    assert left.load == pytest.approx(100 * bits / 500_000)
    assert (left.frames, left.frames_per_s) == (100, 100.0)
    assert (right.load, right.frames_per_s) == (None, 10.0)


def test_errors_remote_and_fd_frames_are_counted_apart():
    """An error frame is no frame and nobody's; its words are read where the adapter gives them."""
    rows = [
        (0x088, ERROR, bytes(8)),
        (0x283, REMOTE, bytes(3)),
        (0x283, FD, b"\x41\x00\x00"),
        (0x18FEF100, EXTENDED, b""),
    ]
    left, right = _figures(rows, rows)
    assert (left.error_frames, left.remote_frames, left.fd_frames, left.frames) == (1, 1, 1, 3)
    assert left.error_classes == {"protocol violated": 1, "bus error": 1}
    assert right.error_classes == {}
    assert left.undecoded == {
        "remote frame": 1,
        "error frame": 1,
        "identifier of no joint": 1,
    }
    assert 0x088 not in {one.identifier for one in left.messages}


def test_set_points_told_to_it_do_not_make_a_joint_speak():
    """Its controller is heard; the joint itself is silent, and so is one that nothing fits."""
    left, _ = _figures([(0x203, 0, b"\x00\x00"), (0x304, 0, b"\x99\x00\x00")], [])
    assert left.silent == ("shoulder", "elbow")
    assert left.undecoded == {"leading bytes of no frame": 1}


def test_a_joint_on_another_bus_is_found_there():
    """Plugs swapped: silent where it should be, its frames nobody's on the other bus."""
    left, right = _figures(
        [(0x285, 0, b"\x41\x00\x00"), (0x304, 0, b"\x41\x00\x00")], [(0x283, 0, b"\x41\x00\x00")]
    )
    assert (left.silent, left.on_other_bus) == (("shoulder",), {"shoulder": "right"})
    assert (right.silent, right.on_other_bus) == (("wrist",), {"wrist": "left"})


def test_the_one_that_is_repeated_is_named():
    """With its joint, on the bus that has a bit rate to tell by."""
    bench = bench_from_texts(BENCH, LAYOUTS, where="bench.toml")
    storm = FrameBatch.from_rows([(i * 200_000, 0x283, 0, b"\x41" + bytes(7)) for i in range(1000)])
    left, _ = bus_statistics(storm, statistics_plan(bench), start_ns=0, end_ns=200_000_000)
    assert left.flooding is not None
    assert (left.flooding.joints, left.flooding.frame) == (("shoulder",), "status")


def test_any_frames_at_all():
    """Random identifiers, flags, lengths and bytes: every frame is counted once."""
    random = np.random.default_rng(8)
    count = 20_000
    batch = FrameBatch(
        time_ns=np.sort(random.integers(0, S, count)),
        identifier=random.integers(0, 1 << 11, count, np.uint32),
        flags=random.integers(0, 32, count, np.uint8),
        length=random.integers(0, 256, count, np.uint8),
        data=random.integers(0, 256, (count, 8), np.uint8),
        bus=random.integers(0, 2, count, np.uint8),
    )
    bench = bench_from_texts(BENCH, LAYOUTS, where="bench.toml")
    told = bus_statistics(batch, statistics_plan(bench), start_ns=0, end_ns=S)
    assert sum(bus.frames + bus.error_frames for bus in told) == count
    for bus in told:
        assert sum(one.count for one in bus.messages) == bus.frames
