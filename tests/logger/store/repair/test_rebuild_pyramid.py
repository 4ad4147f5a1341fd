"""What `seal` costs of a recording whose overviews are whole: each is read once."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.manifest import new_manifest
from logger.store.parts import part_file
from logger.store.repair.recovery import seal
from logger.store.writing.live_writer import RecordingWriter
from tests.support.parts import SEALED_HERE, tick_into_parts

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _recording(path: Path, parts: int) -> None:
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=SEALED_HERE)
    for number in range(parts):
        readings = ReadingBatch(
            joint="elbow",
            time_ns=START_NS + number * 10**10 + np.arange(40) * 10**8,
            position_segment=np.full(40, -1, np.int32),
            columns={"temperature_housing_degC": np.full(40, 20.0 + number)},
        )
        writer.append_readings(readings)
        tick_into_parts(writer, 1000.0 * (number + 1))
    writer.close(ended_ns=START_NS + parts * 10**10, cause="test")


def test_whole_overviews_are_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Of months of footers few stay in memory: here two."""
    path = tmp_path / "rec"
    _recording(path, 10)
    opened: Counter[Path] = Counter()
    read_footer = part_file.read_footer

    def counted(file):
        opened[file] += 1
        return read_footer(file)

    sizes = [
        part_file._PARSED_FACTOR * read_footer(file)[0].serialized_size
        for file in path.rglob("overview/**/part-*.parquet")
    ]
    monkeypatch.setattr(part_file, "read_footer", counted)
    monkeypatch.setattr(part_file, "_FOOTER_CACHE", ByteLruCache(max_bytes=2 * max(sizes)))
    assert not seal(path)
    overviews = {file: count for file, count in opened.items() if "overview" in file.parts}
    assert len(overviews) == len(sizes) > 10
    assert set(overviews.values()) == {1}
