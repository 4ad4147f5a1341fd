"""Several buses become one run of frames in order of time; none is lost, none waits for ever."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.bus.merger import WatermarkMerger
from logger.joint.batch import FrameBatch
from tests.support.depth import examples

MS = 1_000_000


def _frames(bus: int, *times_ns: int) -> FrameBatch:
    return FrameBatch.from_rows([(time_ns, bus, 0, b"") for time_ns in times_ns], bus=bus)


@settings(max_examples=examples(200))
@given(
    st.integers(1, 4),
    st.lists(st.tuples(st.integers(0, 3), st.lists(st.integers(0, 30), max_size=5)), max_size=40),
)
def test_every_frame_comes_once_and_in_order(buses: int, steps: list[tuple[int, list[int]]]):
    """For any order in which buses bring their frames, and the promise is kept."""
    merge = WatermarkMerger(buses, start_ns=0)
    clocks = [0] * buses
    sent: list[int] = []
    got: list[int] = []
    promised = 0
    for which, gaps in steps:
        bus = which % buses
        times = []
        for gap in gaps:
            clocks[bus] += gap * MS
            times.append(clocks[bus])
        sent += times
        merge.add_frames(bus, _frames(bus, *times), until_ns=clocks[bus])
        frames, until_ns = merge.take_until_watermark(max(clocks))
        if len(frames):
            assert int(frames.time_ns[0]) >= promised
            assert (np.diff(frames.time_ns) >= 0).all()
        assert until_ns >= promised
        promised = until_ns
        got += frames.time_ns.tolist()
    frames, _ = merge.take_until_watermark(2**62)
    got += frames.time_ns.tolist()
    assert len(got) == len(sent)
    assert got == sorted(got)


def test_nothing_moves_while_both_buses_speak():
    """Times are those of the buses as long as neither stands still."""
    merge = WatermarkMerger(2, start_ns=0)
    merge.add_frames(0, _frames(0, 1 * MS, 5 * MS), until_ns=5 * MS)
    assert len(merge.take_until_watermark(5 * MS)[0]) == 0
    merge.add_frames(1, _frames(1, 2 * MS, 3 * MS), until_ns=4 * MS)
    frames, until_ns = merge.take_until_watermark(6 * MS)
    assert frames.time_ns.tolist() == [1 * MS, 2 * MS, 3 * MS]
    assert frames.bus.tolist() == [0, 1, 1]
    assert until_ns == 4 * MS


def test_a_bus_that_stands_still_is_waited_for_only_so_long():
    """The others go on; what it brings late counts as of then."""
    merge = WatermarkMerger(2, start_ns=0, wait_ns=100 * MS)
    merge.add_frames(0, _frames(0, 300 * MS), until_ns=300 * MS)
    frames, until_ns = merge.take_until_watermark(350 * MS)
    assert (len(frames), until_ns) == (0, 250 * MS)
    frames, until_ns = merge.take_until_watermark(500 * MS)
    assert frames.time_ns.tolist() == [300 * MS]
    assert until_ns == 300 * MS
    merge.add_frames(1, _frames(1, 10 * MS), until_ns=290 * MS)
    late, _ = merge.take_until_watermark(500 * MS)
    assert late.time_ns.tolist() == [300 * MS]


def test_time_goes_on_without_a_bus_that_is_being_opened():
    """When nothing is on its way, two seconds later is late enough; what comes then is not lost."""
    merge = WatermarkMerger(1, start_ns=0)
    merge.add_frames(0, _frames(0, 5 * MS), until_ns=5 * MS)
    assert merge.take_until_watermark(1000 * MS, idle=True)[1] == 5 * MS
    assert merge.take_until_watermark(5000 * MS, idle=True)[1] == 3000 * MS
    merge.add_frames(0, _frames(0, 2500 * MS, 3500 * MS), until_ns=3500 * MS)
    frames, until_ns = merge.take_until_watermark(5000 * MS)
    assert frames.time_ns.tolist() == [3000 * MS, 3500 * MS]
    assert until_ns == 3500 * MS
