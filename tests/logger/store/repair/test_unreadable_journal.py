"""A journal that the disk does not give: told, the rest read, and never thrown away."""

from pathlib import Path

import numpy as np
import pytest

from logger.errors import OutsideFault
from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.recovery import seal
from logger.store.writing.journal import journal_files
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _killed(path: Path) -> None:
    """Leave a recording of 100 rows as a killed logger would."""
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0)
    writer.append_readings(
        ReadingBatch(
            joint="shoulder",
            time_ns=START_NS + np.arange(100) * 10_000_000,
            position_segment=np.full(100, -1, np.int32),
            columns={
                name: np.ones(100) for name in BENCH.channels_of(BENCH.joint_named("shoulder"))
            },
        )
    )
    writer.abandon()


def test_it_is_told_and_the_rest_is_read(tmp_path: Path):
    """The recording opens; what is missing names the file; nothing raises while it is followed."""
    _killed(tmp_path / "rec")
    (tmp_path / "rec" / JOURNAL_FOLDER / "00000007.journal").mkdir()
    recording = Recording.open(tmp_path / "rec")
    assert recording.reading_count("shoulder") == 100
    assert not recording.refresh()
    assert any("journal 00000007 cannot be read" in said for said in recording.describe_missing())
    (tmp_path / "rec" / JOURNAL_FOLDER / "00000007.journal").rmdir()
    recording.refresh()
    assert not any("00000007" in said for said in recording.describe_missing())


def test_it_is_not_sealed_away(tmp_path: Path):
    """Sealing says so and leaves every journal where it is; without it all rows are sealed."""
    path = tmp_path / "rec"
    _killed(path)
    (path / JOURNAL_FOLDER / "00000007.journal").mkdir()
    before = journal_files(path / JOURNAL_FOLDER)
    with pytest.raises(OutsideFault, match=r"00000007\.journal: this journal cannot be read"):
        seal(path)
    assert journal_files(path / JOURNAL_FOLDER) == before
    assert RecordingReader(path).row_count("status/joint=shoulder") == 100
    (path / JOURNAL_FOLDER / "00000007.journal").rmdir()
    assert seal(path)
    assert RecordingReader(path).row_count("status/joint=shoulder") == 100
    assert journal_files(path / JOURNAL_FOLDER) == []
