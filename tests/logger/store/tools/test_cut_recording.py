"""A recording whose journal is cut, zeroed, flipped or stale: a prefix is read, the rest is told.

Sealed afterwards it holds the same rows, says the same, and has kept what could not be read.
"""

import shutil
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.files import JOURNAL_FOLDER, status_stream
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.writing.journal import JournalReader
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording
from tests.support.depth import examples

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
ALL = {"start_ns": 0, "end_ns": 2**62}
STREAMS = ("frames", status_stream("elbow"), "events")
BATCHES, ROWS = 6, 3
PAGE = 512


def _record(path: Path, *, shift_ns: int = 0) -> bytes:
    """Leave a recording as a killed logger would, with three streams in one journal."""
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="t", started_ns=START_NS), BENCH, now_s=0.0
    )
    for index in range(BATCHES):
        number = np.arange(index * ROWS, (index + 1) * ROWS)
        time_ns = START_NS + shift_ns + number * 1_000_000
        writer.append_frames(FrameBatch.from_rows([(int(t), 0x7F0, 0, b"\1\2") for t in time_ns]))
        writer.append_readings(
            ReadingBatch(
                joint="elbow",
                time_ns=time_ns,
                position_segment=np.full(ROWS, -1, np.int32),
                columns={"voltage_V": number * 1.0},
            )
        )
        writer.append_events(
            [Event(sequence=int(n), time_ns=int(time_ns[0]), kind="note") for n in number]
        )
        writer._journal.flush()
    writer.abandon()
    return (path / JOURNAL_FOLDER / "00000000.journal").read_bytes()


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes, bytes]:
    """Give a recording, its journal, and that of an earlier recording of the same kind."""
    folder = tmp_path_factory.mktemp("cut")
    return folder / "rec", _record(folder / "rec"), _record(folder / "earlier", shift_ns=-7 * 10**9)


def _order(reader: RecordingReader) -> list[int]:
    """Return how many rows each stream holds, and check that they are the first of it."""
    counts = []
    for stream in STREAMS:
        times = reader.read_rows(stream, **ALL)["time"].cast(pa.int64()).to_numpy()
        if stream == "events":
            numbers = [event.sequence for event in reader.read_events()]
        else:
            numbers = ((times - START_NS) // 1_000_000).tolist()
        assert numbers == list(range(len(times)))
        counts.append(len(times))
    return counts


def _prefix(path: Path, content: bytes) -> tuple[int, ...]:
    """Check that what is read of a journal with this content is a prefix of what was written."""
    journal = path / JOURNAL_FOLDER / "00000000.journal"
    journal.write_bytes(content)
    reader = RecordingReader(path)
    counts = _order(reader)
    # Rows were written to the streams in turn: no stream is ahead by more than one batch, and none
    # that comes later in turn is ahead at all.
    assert sorted(counts, reverse=True) == counts
    assert counts[0] - counts[-1] in {0, ROWS}
    assert all(count % ROWS == 0 for count in counts)
    said = " ".join(reader.describe_missing())
    assert "without closing" in said
    read = JournalReader(journal)
    list(read.read_new_rows())
    assert ("hold no whole record" in said) == (read.unread_bytes() > 0)
    assert f"{read.unread_bytes()} bytes" in said or not read.unread_bytes()
    return tuple(counts)


def _ends(journal: Path, content: bytes) -> list[int]:
    """Return where the records of a journal end."""
    journal.write_bytes(content)
    read = JournalReader(journal)
    ends = []
    for _ in read.read_new_rows():
        ends.append(len(content) - read.unread_bytes())  # noqa: PERF401 - it moves as it is read
    return ends


def test_cut_around_every_record_and_at_every_page(cut: tuple[Path, bytes, bytes]):
    """More bytes never mean fewer rows; each record counts from its last byte on."""
    path, content, _ = cut
    ends = _ends(path / JOURNAL_FOLDER / "00000000.journal", content)
    assert len(ends) == BATCHES * len(STREAMS)
    lengths = {end + nudge for end in ends for nudge in (-1, 0, 1)} | set(
        range(0, len(content), 97)
    )
    last = 0
    for length in sorted(length for length in lengths if length <= len(content)):
        rows = sum(_prefix(path, content[:length]))
        assert rows == ROWS * sum(end <= length for end in ends)
        assert rows >= last
        last = rows
    assert last == BATCHES * ROWS * len(STREAMS)


def test_zeroed_from_every_page_on(cut: tuple[Path, bytes, bytes]):
    """What a power cut leaves of a file that had grown: its length, and zeros."""
    path, content, _ = cut
    counts = [
        sum(_prefix(path, content[:begin].ljust(len(content) + PAGE, b"\0")))
        for begin in range(0, len(content), PAGE)
    ]
    assert counts == sorted(counts)


def test_a_stale_page(cut: tuple[Path, bytes, bytes]):
    """One page of an earlier journal, or an earlier page of this one: reading ends before it."""
    path, content, earlier = cut
    for at in range(0, len(content), PAGE):
        for source in (earlier[at : at + PAGE], content[:PAGE]):
            page = source[: len(content) - at]
            stale = content[:at] + page + content[at + len(page) :]
            counts = _prefix(path, stale)
            if stale != content:
                assert sum(counts) < BATCHES * ROWS * len(STREAMS)


@settings(
    max_examples=examples(60),
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_flipped_bytes(cut: tuple[Path, bytes, bytes], data: st.DataObject):
    """However many and wherever: a prefix, up to the record that the first of them is in."""
    path, content, _ = cut
    flipped = bytearray(content)
    places = data.draw(
        st.lists(st.integers(0, len(content) - 1), min_size=1, max_size=20, unique=True)
    )
    for place in places:
        flipped[place] ^= data.draw(st.integers(1, 255))
    assert sum(_prefix(path, bytes(flipped))) < BATCHES * ROWS * len(STREAMS)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.6, 0.97])
def test_sealed_it_says_the_same_for_ever(
    cut: tuple[Path, bytes, bytes], tmp_path: Path, share: float
):
    """Rows and sentences are those of before; the journal with the unread bytes is kept."""
    source, content, _ = cut
    path = tmp_path / "rec"
    shutil.copytree(source, path)
    flipped = bytearray(content)
    flipped[int(len(content) * share)] ^= 0x10
    counts = _prefix(path, bytes(flipped))
    said = RecordingReader(path).describe_missing()
    assert seal(path)
    reader = RecordingReader(path)
    assert tuple(_order(reader)) == counts
    assert set(reader.describe_missing()) == set(said)
    assert set(check_recording(Recording.open(path)).missing) == set(said)
    (kept,) = (path / JOURNAL_FOLDER).iterdir()
    assert (kept.name, kept.read_bytes()) == ("00000000.unreadable", bytes(flipped))
    assert not seal(path)
    assert set(RecordingReader(path).describe_missing()) == set(said)
