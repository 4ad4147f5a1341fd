"""How buses fared, second by second: nothing read twice, no extreme and no count lost."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.store.layout.manifest import new_manifest
from logger.store.layout.schema import BUS_SCHEMA, HEALTH_SCHEMA, table_of_rows
from logger.store.writing.live_writer import RecordingWriter
from replay.bus_history import (
    NO_SECONDS,
    BusSeconds,
    bus_totals,
    extend_bus_seconds,
    to_bus_buckets,
    undecoded_share,
)
from replay.recording import Recording
from tests.support.buses import LENGTH_S, START_NS, S, bench, two_buses
from tests.support.depth import examples

RECORDED = bench()


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give the recording of two buses, ended."""
    path = tmp_path_factory.mktemp("two") / "rec"
    two_buses(path)
    return Recording.open(path)


def _row(at_s: int, *, bus: int = 0, lost: int = 0, garbled: int = 0) -> dict[str, object]:
    return {
        "time": START_NS + at_s * S, "bus": bus, "frames_per_s": 10.0, "load": None,
        "error_frames": 0, "remote_frames": 0, "lost": lost, "garbled": garbled,
    }  # fmt: skip


def test_what_was_not_decoded_of_all_frames(two: Recording, tmp_path: Path):
    """The recorder's count against all frames; nothing is known of a recording without either."""
    share = undecoded_share(two)
    assert share == 12 * LENGTH_S / two.row_count("frames")
    writer = RecordingWriter(
        tmp_path / "new", new_manifest(RECORDED, name="new", started_ns=START_NS), RECORDED,
        now_s=0.0,
    )  # fmt: skip
    writer.close(ended_ns=START_NS + S, cause="stopped")
    assert np.isnan(undecoded_share(Recording.open(tmp_path / "new")))


def test_each_bus_has_its_own_figures(two: Recording):
    """Totals of either bus: what was written, the running counts made counts."""
    seconds = extend_bus_seconds(two)
    assert seconds.each_bus
    left, right = bus_totals(seconds.for_bus(0)), bus_totals(seconds.for_bus(1))
    assert (left.frames_per_s_mean, left.frames_per_s_max) == (
        pytest.approx(112 + 15 / LENGTH_S), 117.0,
    )  # fmt: skip
    assert (left.error_frames, left.lost, left.garbled) == (15, 128, 0)
    assert (right.error_frames, right.lost) == (0, 0)
    assert right.load_max == pytest.approx(100 * 0.000_119, rel=0.1)
    assert 0 < right.load_mean < right.load_max


def test_a_recorder_as_a_whole(tmp_path: Path):
    """A recording without figures for each bus tells those of the recorder, and says so."""
    two_buses(tmp_path / "old", each_bus=False)
    seconds = extend_bus_seconds(Recording.open(tmp_path / "old"))
    assert not seconds.each_bus
    assert len(seconds) == LENGTH_S
    whole = bus_totals(seconds.for_bus(0))
    assert (whole.lost, whole.error_frames) == (128, 0)
    assert whole.load_max > 0


def test_what_grows_is_read_once(tmp_path: Path):
    """Taken in row by row or at once is the same, over a recorder that counts anew as well."""
    writer = RecordingWriter(tmp_path / "rec", _begun(), RECORDED, now_s=0.0)
    recording = Recording.open(tmp_path / "rec")
    seconds = extend_bus_seconds(recording)
    assert len(seconds) == 0
    counts = [(0, 0), (3, 0), (3, 1), (10, 1), (2, 0), (2, 4)]
    for at_s, (lost, garbled) in enumerate(counts, start=1):
        rows = [_row(at_s, lost=lost, garbled=garbled), _row(at_s, bus=1, lost=2 * at_s)]
        writer.append_rows("buses", table_of_rows(rows, BUS_SCHEMA))
        writer.tick(float(at_s))
        recording.refresh()
        seconds = extend_bus_seconds(recording, seconds)
    assert seconds.for_bus(0).lost.tolist() == [0, 3, 0, 7, 2, 0]
    assert seconds.for_bus(0).garbled.tolist() == [0, 0, 1, 0, 0, 4]
    assert seconds.for_bus(1).lost.tolist() == [2] * 6
    at_once = extend_bus_seconds(Recording.open(tmp_path / "rec"))
    for name in ("time_ns", "bus", "lost", "garbled", "frames_per_s", "load"):
        assert np.array_equal(getattr(at_once, name), getattr(seconds, name), equal_nan=True), name
    writer.close(ended_ns=START_NS + 7 * S, cause="stopped")


def test_figures_for_each_bus_replace_those_of_the_whole(tmp_path: Path):
    """A recorder that tells more goes on in the recording: what it tells is taken."""
    writer = RecordingWriter(tmp_path / "rec", _begun(), RECORDED, now_s=0.0)
    whole = {"time": START_NS + S, "frames_per_s": 5.0, "dropped": 0, "undecoded": 0}
    writer.append_rows("health", table_of_rows([whole], HEALTH_SCHEMA))
    writer.tick(1.0)
    recording = Recording.open(tmp_path / "rec")
    seconds = extend_bus_seconds(recording)
    assert not seconds.each_bus
    writer.append_rows("buses", table_of_rows([_row(2), _row(2, bus=1)], BUS_SCHEMA))
    writer.tick(2.0)
    recording.refresh()
    seconds = extend_bus_seconds(recording, seconds)
    assert seconds.each_bus
    assert len(seconds) == 2
    writer.close(ended_ns=START_NS + 3 * S, cause="stopped")


def _begun():
    return new_manifest(RECORDED, name="grows", started_ns=START_NS)


@settings(max_examples=examples(60))
@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 900), st.floats(0, 1), st.one_of(st.none(), st.floats(0, 1)),
            st.integers(0, 50),
        ),
        max_size=60,
    ),
    width_s=st.sampled_from([1, 5, 60, 300]),
)  # fmt: skip
def test_no_extreme_and_no_count_is_lost(rows, width_s: int):
    """Buckets of any width keep the highest and the lowest second, and every error frame."""
    rows = sorted(rows, key=lambda row: row[0])
    seconds = BusSeconds(
        time_ns=np.array([START_NS + (at + 1) * S for at, *_ in rows], np.int64),
        bus=np.zeros(len(rows), np.uint8),
        frames_per_s=np.array([value for _, value, _, _ in rows], float),
        load=np.array([np.nan if one is None else one for _, _, one, _ in rows], float),
        error_frames=np.array([count for *_, count in rows], np.int64),
        **{
            name: np.zeros(len(rows), np.int64)
            for name in ("remote_frames", "lost", "garbled", "unanswered")
        },
    )
    found = to_bus_buckets(seconds, START_NS, START_NS + 1000 * S, width_ns=width_s * S)
    assert found.error_frames.sum() == seconds.error_frames.sum()
    for (least, mean, most), values in (
        (found.load, seconds.load),
        (found.frames_per_s, seconds.frames_per_s),
    ):
        told = values[~np.isnan(values)]
        held = ~np.isnan(mean)
        assert held.any() == bool(len(told))
        if len(told):
            assert (least[held].min(), most[held].max()) == (told.min(), told.max())
            assert (least[held] <= mean[held] + 1e-12).all()
            assert (mean[held] <= most[held] + 1e-12).all()


def test_nothing_has_no_figures():
    """Before the first second every figure is unknown and every count nought."""
    none = bus_totals(NO_SECONDS)
    assert np.isnan(none.load_mean)
    assert none.lost == 0
    assert len(to_bus_buckets(NO_SECONDS, START_NS, START_NS, width_ns=S)) == 0
