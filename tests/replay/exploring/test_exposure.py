"""A load against a time-current curve: the hardest average of any length, and stretches."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.exploring.exposure import loaded_spans, max_rms_by_duration

S = 1_000_000_000


def _seconds(count: int) -> np.ndarray:
    return 1_700_000_000 * S + np.arange(count, dtype=np.int64) * S


def test_a_steady_load_is_its_own_average():
    """Over any time that fits; what does not fit is not known."""
    found = max_rms_by_duration(_seconds(100), np.full(100, 5.0), (1, 10, 100, 101))
    assert found[:3] == pytest.approx([5.0, 5.0, 5.0])
    assert np.isnan(found[3])


def test_a_cycle_of_duty_s1_and_rest():
    """10 A for 4 s and nothing for 6 s: 10 A over 4 s, 6.32 A over a cycle (10 * sqrt(0.4))."""
    rms = np.tile([10.0] * 4 + [0.0] * 6, 20)
    found = max_rms_by_duration(_seconds(200), rms, (4, 10, 200))
    assert found == pytest.approx([10.0, 10 * 0.4**0.5, 10 * 0.4**0.5])
    above = loaded_spans(_seconds(200), rms, 5.0)
    assert above.duration_s.tolist() == [4.0] * 20
    assert above.rms == pytest.approx(10.0)


@given(
    st.lists(st.tuples(st.integers(1, 3), st.floats(0, 20)), min_size=1, max_size=40),
    st.integers(1, 30),
    st.floats(1, 15),
)
def test_as_a_look_at_every_window_says(
    seconds: list[tuple[int, float]], length: int, level: float
):
    """Equal to trying every window and every run one by one; a gap is no load and ends a run."""
    place = np.cumsum([step for step, _ in seconds]) - 1
    start_ns = 1_700_000_000 * S + place.astype(np.int64) * S
    rms = np.array([value for _, value in seconds])
    whole = np.zeros(int(place[-1] - place[0]) + 1)
    whole[place - place[0]] = rms
    windows = [
        np.sqrt(np.mean(whole[at : at + length] ** 2)) for at in range(len(whole) - length + 1)
    ]
    (found,) = max_rms_by_duration(start_ns, rms, (length,))
    if windows:
        assert found == pytest.approx(max(windows), abs=1e-6)
    else:
        assert np.isnan(found)
    runs, run = [], []
    known = set((place - place[0]).tolist())
    for at in range(len(whole) + 1):
        if at in known and whole[at] > level:
            run.append(whole[at])
        elif run:
            runs.append(run)
            run = []
    above = loaded_spans(start_ns, rms, level)
    assert above.duration_s.tolist() == [float(len(one)) for one in runs]
    assert above.rms == pytest.approx([np.sqrt(np.mean(np.square(one))) for one in runs])
