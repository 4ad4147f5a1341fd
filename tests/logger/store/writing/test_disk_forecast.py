"""How long the disk lasts: forecast from what lies in parts, with the journal's room kept free."""

import math
import os
import shutil
from collections import namedtuple
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.store.parts.part_writer import part_name
from logger.store.writing import disk_forecast as room_file
from logger.store.writing.disk_forecast import (
    DISK_CHECK_S,
    DiskForecast,
    DiskSample,
    disk_growth,
    first_growth,
)

Usage = namedtuple("Usage", "total used free")


def _add_part(folder: Path, number: int, size: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / part_name(number * 10, number * 10 + 10)
    path.write_bytes(bytes(size))
    # A file system's clock may not have moved since the last look.
    changed = folder.stat().st_mtime_ns + 1_000_000
    os.utime(folder, ns=(changed, changed))


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[DiskForecast]:
    """Give the forecast of a recording with a part, on a disk with 3.6 GB left."""
    (tmp_path / "journal").mkdir()
    _add_part(tmp_path / "frames", 0, 1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: Usage(0, 0, 3_600_000_000))
    return DiskForecast(tmp_path, now_s=0.0)


def test_the_rest_is_room_over_rate(room: DiskForecast, tmp_path: Path):
    """1 MB in ten seconds and 3.6 GB left: ten hours, less what the journal holds."""
    assert math.isnan(room.hours_left(1.0))
    assert math.isnan(room.hours_left(DISK_CHECK_S))
    _add_part(tmp_path / "frames", 1, 1_000_000)
    assert room.hours_left(2 * DISK_CHECK_S) == pytest.approx(10.0)
    (tmp_path / "journal" / "0.journal").write_bytes(bytes(10_000_000))
    assert room.hours_left(2 * DISK_CHECK_S + 1) == pytest.approx(10.0), (
        "looked at now and then only"
    )
    # Nothing was sealed since: the rate is of what was.
    assert room.hours_left(3 * DISK_CHECK_S) == pytest.approx(10.0 * (3600 - 10) / 3600)


def test_frames_and_all_else_are_told_apart(room: DiskForecast, tmp_path: Path):
    """In streams that begin meanwhile as well, levels of the pyramid among them."""
    room.hours_left(DISK_CHECK_S)
    _add_part(tmp_path / "frames", 1, 600)
    _add_part(tmp_path / "overview" / "joint=a" / "width=5s", 0, 30)
    _add_part(tmp_path / "status" / "joint=a", 0, 300)
    room.hours_left(100.0)
    _add_part(tmp_path / "frames", 2, 700)
    (tmp_path / "frames" / part_name(0, 10)).unlink()
    room.hours_left(200.0)
    assert room.samples == (
        DiskSample(span_s=90.0, frame_bytes=600, other_bytes=330),
        DiskSample(span_s=100.0, frame_bytes=700, other_bytes=0),
    )


def test_only_new_files_are_looked_at(
    room: DiskForecast, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """A recording of months has a hundred thousand: nothing is listed where nothing changed."""
    for number in range(1, 200):
        _add_part(tmp_path / "frames", number, 1)
    listed: list[Path] = []
    scandir = os.scandir

    def counted(folder: Path) -> object:
        listed.append(folder)
        return scandir(folder)

    monkeypatch.setattr(room_file.os, "scandir", counted)
    room.hours_left(DISK_CHECK_S)
    listed.clear()
    room.hours_left(2 * DISK_CHECK_S)
    assert listed == []
    _add_part(tmp_path / "frames", 200, 5)
    room.hours_left(3 * DISK_CHECK_S)
    assert listed == [tmp_path / "frames"]
    assert room.samples[-1].frame_bytes == 5


def test_a_file_that_goes_meanwhile_is_no_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The writer seals while somebody looks: the last figure stands."""
    (tmp_path / "journal").mkdir()

    def gone(_path: Path) -> Usage:
        raise FileNotFoundError

    monkeypatch.setattr(room_file.shutil, "disk_usage", gone)
    assert math.isnan(DiskForecast(tmp_path, now_s=0.0).hours_left(DISK_CHECK_S))


def test_the_interval_of_a_rate_holds_it_as_often_as_it_says():
    """95 of 100, of unequal spans; before three parts nothing is told."""
    dice = np.random.default_rng(1)
    held = 0
    for _ in range(400):
        spans_s = dice.choice([128.0, 512.0, 600.0, 600.0], int(dice.integers(4, 30)))
        samples = [
            DiskSample(
                span_s=span_s,
                frame_bytes=int(span_s * 1000 + dice.normal(0.0, 30.0 * span_s)),
                other_bytes=int(span_s * 400 + dice.normal(0.0, 10.0 * span_s)),
            )
            for span_s in spans_s
        ]
        growth = disk_growth(samples, span_s=3600.0, frame_span_s=1800.0)
        assert growth is not None
        held += growth.low <= 3600.0 * 400 + 1800.0 * 1000 <= growth.high
    assert 0.90 <= held / 400 <= 0.99
    assert disk_growth(samples[:2], span_s=3600.0, frame_span_s=0.0) is None


def test_a_recording_that_goes_on_knows_its_rate_at_once(room: DiskForecast, tmp_path: Path):
    """By when its newest parts were written; a pause and what came right after it tell nothing."""
    at_s = 1_000_000.0
    for number in range(1, 40):
        # Ten minutes a part; an hour without a recorder before the thirtieth.
        at_s += 3600.0 if number == 30 else 600.0
        for folder, size in (("frames", 60_000), ("status/joint=a", 30_000)):
            _add_part(tmp_path / folder, number, size)
            os.utime(tmp_path / folder / part_name(number * 10, number * 10 + 10), (at_s, at_s))
    assert room.hours_left(DISK_CHECK_S) == pytest.approx(3.6e9 / 150.0 / 3600.0)
    assert set(room.samples) == {DiskSample(span_s=600.0, frame_bytes=60_000, other_bytes=30_000)}
    assert len(room.samples) == 22


def test_a_copy_whose_files_are_all_new_tells_no_rate(room: DiskForecast, tmp_path: Path):
    """Copied without its times: written within a second, it seems."""
    for number in range(1, 40):
        _add_part(tmp_path / "frames", number, 60_000)
    assert math.isnan(room.hours_left(DISK_CHECK_S))
    assert room.samples == ()


@pytest.mark.parametrize("row_bytes_s", [0.0, 1.0, 2400.0, 1e6])
@pytest.mark.parametrize("part_bytes", [0.0, 90_000.0])
@pytest.mark.parametrize("busier", [0.5, 1.0, 2.0])
def test_the_first_bounds_hold_whatever_a_part_is_made_of(
    row_bytes_s: float, part_bytes: float, busier: float
):
    """Room for each part and for its rows, in any proportion, on a bus that becomes busier."""
    early = DiskSample(span_s=10.0, frame_bytes=0, other_bytes=int(part_bytes + 8 * row_bytes_s))
    bounds = first_growth(early, span_s=1e6, frame_span_s=0.0, longest_part_s=600.0)
    true = 1e6 * (part_bytes / 600.0 + busier * row_bytes_s * 0.8)
    assert bounds.low <= true * (1 + 1e-9)
    assert true * (1 - 1e-9) <= bounds.high
