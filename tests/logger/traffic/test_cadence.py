"""Who talks: counts, period, jitter and gaps of each kind of frame; the one that is repeated."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.batch import ERROR, EXTENDED, REMOTE, FrameBatch
from logger.traffic.cadence import FrameKind, flooding_frame, message_stats

MS = 1_000_000
NOBODY = np.int32(-1)


def _batch(rows: list[tuple[int, int, int, bytes]], *, bus: int = 0) -> FrameBatch:
    return FrameBatch.from_rows(sorted(rows, key=lambda row: row[0]), bus=bus)


def _owned(batch: FrameBatch, *owned: int) -> np.ndarray:
    return np.array(owned, np.int32) if owned else np.full(len(batch), NOBODY)


def test_period_is_a_median_and_jitter_is_robust():
    """One lost frame doubles one gap: it moves the longest gap, and neither period nor jitter."""
    times = [0, 10, 20, 30, 50, 60, 70, 80]
    batch = _batch([(ms * MS, 0x283, 0, b"\x01") for ms in times])
    (one,) = message_stats(batch, _owned(batch), frame_kinds=(), start_ns=0, end_ns=85 * MS)
    assert (one.identifier_text, one.role, one.joints, one.frame) == ("0x283", "unknown", (), None)
    assert (one.count, one.period_s, one.jitter_s) == (8, 0.01, 0.0)
    assert (one.longest_gap_s, one.last_s) == (0.02, 0.005)


def test_jitter_is_the_standard_deviation_of_even_noise():
    """Steps that stray normally by 50 us have a jitter of 50 us."""
    steps = np.random.default_rng(4).normal(10 * MS, 50_000, 20_000)
    times = np.cumsum(steps).astype(np.int64)
    batch = _batch([(int(at), 1, 0, b"") for at in times])
    (one,) = message_stats(batch, _owned(batch), frame_kinds=(), start_ns=0, end_ns=int(times[-1]))
    assert one.jitter_s == pytest.approx(50e-6, rel=0.03)


def test_how_late_one_in_twenty_comes():
    """Two of forty steps are 3 ms late: the 95 % jitter is that of the other 38, then theirs."""
    steps = [10] * 38 + [13, 13]
    times = np.concatenate(([0], np.cumsum(steps)))
    batch = _batch([(int(ms) * MS, 1, 0, b"") for ms in times])
    (one,) = message_stats(
        batch, _owned(batch), frame_kinds=(), start_ns=0, end_ns=int(times[-1]) * MS
    )
    assert (one.period_s, one.jitter_s, one.jitter_95_s) == (0.01, 0.0, 0.0)
    late = _batch([(int(ms) * MS, 1, 0, b"") for ms in times if ms != 100])
    (one,) = message_stats(
        late, _owned(late), frame_kinds=(), start_ns=0, end_ns=int(times[-1]) * MS
    )
    assert one.jitter_95_s == pytest.approx(0.003)


def test_absence_at_either_end_is_a_gap():
    """One that comes late or stops early was absent, though its frames follow each other."""
    batch = _batch([(ms * MS, 1, 0, b"") for ms in (400, 410)])
    (early,) = message_stats(batch, _owned(batch), frame_kinds=(), start_ns=0, end_ns=500 * MS)
    (late,) = message_stats(
        batch, _owned(batch), frame_kinds=(), start_ns=300 * MS, end_ns=990 * MS
    )
    gaps_s = [early.longest_gap_s, late.longest_gap_s, late.last_s]
    assert gaps_s == pytest.approx([0.4, 0.58, 0.58])


def test_a_single_frame_has_no_period():
    """One frame is told with its count; a period would be a guess."""
    batch = _batch([(5 * MS, 0x7FF, 0, b"")])
    (one,) = message_stats(batch, _owned(batch), frame_kinds=(), start_ns=0, end_ns=10 * MS)
    assert (one.count, one.period_s, one.jitter_s, one.jitter_95_s) == (1, None, None, None)
    assert message_stats(FrameBatch.empty(), _owned(FrameBatch.empty()), frame_kinds=(), start_ns=0,
                   end_ns=1) == ()  # fmt: skip


def test_each_kind_on_an_identifier_has_its_own_rhythm():
    """Told apart by leading bytes, and apart from a frame of 29 bits or a remote one."""
    kinds = tuple(
        FrameKind(bus=0, joint="shoulder", frame=name, role="joint", extended=False,
             identifier=0x283, mask=0x7FF)
        for name in ("motion", "health")
    )  # fmt: skip
    rows = [(ms * MS, 0x283, 0, b"\x41") for ms in range(0, 100, 10)]
    rows += [(ms * MS + 1, 0x283, 0, b"\x48") for ms in range(0, 100, 50)]
    rows += [(99 * MS, 0x283, EXTENDED, b""), (99 * MS, 0x283, REMOTE, b"")]
    rows += [(99 * MS, 0x283, ERROR, b"")]
    batch = _batch(rows)
    owner = np.select([batch.data[:, 0] == 0x41, batch.data[:, 0] == 0x48], [0, 1], -1)
    found = message_stats(
        batch, owner.astype(np.int32), frame_kinds=kinds, start_ns=0, end_ns=100 * MS
    )
    told = {(one.frame, one.extended, one.remote): (one.count, one.period_s) for one in found}
    assert told == {
        ("motion", False, False): (10, 0.01),
        ("health", False, False): (2, 0.05),
        (None, False, True): (1, None),
        (None, True, False): (1, None),
    }
    by_extended = {one.extended: one for one in found if one.frame is None}
    assert (by_extended[True].identifier_text, by_extended[True].role) == ("0x00000283", "unknown")
    assert by_extended[False].joints == ("shoulder",)


def test_an_identifier_that_joints_share_names_them_all():
    """Where no frame fits it may be anybody's who claims it, on this bus only."""
    kinds = tuple(
        FrameKind(bus=bus, joint=joint, frame="status", role="joint", extended=False,
             identifier=0x280, mask=0x7F0)
        for bus, joint in ((0, "shoulder"), (1, "elbow"), (0, "wrist"))
    )  # fmt: skip
    batch = _batch([(0, 0x285, 0, b"")])
    (one,) = message_stats(batch, _owned(batch), frame_kinds=kinds, start_ns=0, end_ns=1)
    assert (one.joints, one.role, one.frame) == (("shoulder", "wrist"), "joint", None)


@given(
    st.lists(
        st.tuples(st.integers(0, 10**9), st.sampled_from([1, 2, 3]), st.booleans()), max_size=60
    )
)
def test_agrees_with_numpy_group_by_group(rows):
    """All groups at once give the medians and gaps of each group alone."""
    batch = _batch([(at, number, extended * EXTENDED, b"") for at, number, extended in rows])
    found = message_stats(batch, _owned(batch), frame_kinds=(), start_ns=0, end_ns=10**9)
    assert sum(one.count for one in found) == len(rows)
    for one in found:
        times = np.array(
            sorted(at for at, number, wide in rows
                   if (number, wide) == (one.identifier, one.extended))
        )  # fmt: skip
        steps = np.diff(times)
        ends = [times[0], 10**9 - times[-1]]
        assert one.longest_gap_s == pytest.approx(max([*steps, *ends]) * 1e-9)
        if len(steps):
            period = np.median(steps)
            assert one.period_s == pytest.approx(period * 1e-9)
            spread = 1.4826 * np.median(np.abs(steps - period))
            assert one.jitter_s == pytest.approx(spread * 1e-9)


FRAME_NS = 125_000
"""A frame of 8 bytes at 1 Mbit/s with its error flag, some 140 us; told a little faster."""


def _storm(
    count: int, *, step_ns: int = FRAME_NS, payload: bytes = b"\x11" * 8
) -> list[tuple[int, int, int, bytes]]:
    return [(index * step_ns, 0x283, 0, payload) for index in range(count)]


def test_one_frame_without_a_pause_is_found():
    """The same frame back to back: nobody acknowledges its sender."""
    assert flooding_frame(_batch(_storm(500)), bitrate=1_000_000) == (0x283, False)
    noisy = _storm(500) + [(index * 10_000_000, 0, ERROR, b"") for index in range(5)]
    assert flooding_frame(_batch(noisy), bitrate=1_000_000) == (0x283, False)


@pytest.mark.parametrize(
    ("rows", "bitrate"),
    [
        (_storm(500, step_ns=1_000_000), 1_000_000),
        (_storm(500), None),
        (_storm(5), 1_000_000),
        ([(i * FRAME_NS, 0x283, 0, bytes([i % 250] * 8)) for i in range(500)], 1_000_000),
        ([(i * FRAME_NS, 0x283 + i % 2, 0, b"\x11" * 8) for i in range(500)], 1_000_000),
        ([], 1_000_000),
    ],
    ids=["with pauses", "no bit rate", "too few", "new values", "two in turn", "nothing"],
)
def test_what_is_no_repetition(rows, bitrate):
    """A joint at rest at 1 kHz, a full bus of changing values, or of several: none of these."""
    assert flooding_frame(_batch(rows), bitrate=bitrate) is None
