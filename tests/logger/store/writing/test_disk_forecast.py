"""How long the disk lasts: forecast from what lies in parts, with the journal's room kept free."""

import math
import shutil
from collections import namedtuple
from pathlib import Path

import pytest

from logger.store.writing import disk_forecast as room_file
from logger.store.writing.disk_forecast import DISK_CHECK_S, DiskForecast

Usage = namedtuple("Usage", "total used free")


def test_the_rest_is_room_over_rate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """1 MB in ten seconds and 3.6 GB left: ten hours, less what the journal holds."""
    (tmp_path / "journal").mkdir()
    part = tmp_path / "part.parquet"
    part.write_bytes(bytes(1000))
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: Usage(0, 0, 3_600_000_000))
    room = DiskForecast(tmp_path, now_s=0.0)
    assert math.isnan(room.hours_left(1.0))
    assert math.isnan(room.hours_left(DISK_CHECK_S))
    part.write_bytes(bytes(1_001_000))
    assert room.hours_left(2 * DISK_CHECK_S) == pytest.approx(10.0)
    (tmp_path / "journal" / "0.journal").write_bytes(bytes(10_000_000))
    assert room.hours_left(2 * DISK_CHECK_S + 1) == pytest.approx(10.0), (
        "looked at now and then only"
    )
    assert room.hours_left(3 * DISK_CHECK_S) == pytest.approx(20.0 * (3600 - 10) / 3600)


def test_a_file_that_goes_meanwhile_is_no_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The writer seals while somebody looks: the last figure stands."""
    (tmp_path / "journal").mkdir()

    def gone(_path: Path) -> Usage:
        raise FileNotFoundError

    monkeypatch.setattr(room_file.shutil, "disk_usage", gone)
    assert math.isnan(DiskForecast(tmp_path, now_s=0.0).hours_left(DISK_CHECK_S))
