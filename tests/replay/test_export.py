"""A span as one file: read back by pandas it is the recording."""

import json
import threading
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError, OutsideFault
from logger.store.repair.keep_finding import keep_finding
from replay.export import FINDINGS_KEY, export
from replay.recording import Recording
from tests.support.findings import play_finding, small_recording

S = 1_000_000_000


def _read(path: Path) -> pd.DataFrame:
    if path.suffix == ".parquet":
        return pd.read_parquet(path)
    table = pd.read_csv(path)
    # One form of time for both, whatever unit pandas reads it with.
    return table.assign(time=pd.to_datetime(table["time"], format="ISO8601", utc=True))


def _times_ns(table: pd.DataFrame) -> np.ndarray:
    return table["time"].astype("datetime64[ns, UTC]").astype("int64").to_numpy()


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_read_back_it_is_the_recording(tmp_path: Path, overheat: Recording, suffix: str):
    """Every row of every joint, every value to the last bit, in order of time."""
    path = tmp_path / f"out{suffix}"
    count = export(overheat, path)
    table = _read(path)
    times = _times_ns(table)
    assert len(table) == count == sum(overheat.reading_count(joint) for joint in overheat.joints)
    assert (np.diff(times) >= 0).all()
    for joint in overheat.joints:
        batch = overheat.read_readings(joint, overheat.start_ns, overheat.end_ns)
        mine = (table["joint"] == joint).to_numpy()
        np.testing.assert_array_equal(times[mine], batch.time_ns)
        for channel, values in batch.columns.items():
            np.testing.assert_array_equal(
                table.loc[mine, channel].to_numpy(float), values, err_msg=channel
            )
        segment = table.loc[mine, "position_segment"].fillna(-1).to_numpy(int)
        np.testing.assert_array_equal(segment, batch.position_segment)


def test_csv_speaks_plainly(tmp_path: Path, overheat: Recording):
    """Times in ISO 8601 to the nanosecond, units in the heads, nothing where nothing was."""
    path = tmp_path / "out.csv"
    export(overheat, path, end_ns=overheat.start_ns + S, joints=["elbow"])
    head, first, *_ = path.read_text(encoding="utf-8").splitlines()
    assert head.startswith("time,joint,position_segment,temperature_housing_degC,")
    assert "fault_code" in head
    assert first.startswith("2026-")
    assert first.split(",")[0].endswith("Z")
    assert len(first.split(",")[0]) == len("2026-11-18T11:06:40.000000000Z")
    assert first.split(",")[1] == "elbow"
    assert ",," in first


def test_parquet_keeps_the_units(tmp_path: Path, overheat: Recording):
    """Types and the units in the metadata are those of the recording."""
    path = tmp_path / "out.parquet"
    export(overheat, path, end_ns=overheat.start_ns + S)
    schema = pq.read_schema(path)
    assert schema.field("torque_Nm").metadata[b"ucum"] == b"N.m"
    assert str(schema.field("fault_code").type) == "int64"
    assert str(schema.field("time").type) == "timestamp[ns, tz=UTC]"


@pytest.mark.parametrize("window_rows", [7, 65_536])
def test_a_span_of_some_channels(
    tmp_path: Path, overheat: Recording, monkeypatch: pytest.MonkeyPatch, window_rows: int
):
    """Start-inclusive, end-exclusive; rows without the channels asked for are left out."""
    monkeypatch.setattr("replay.export.EXPORT_WINDOW_ROWS", window_rows)
    start_ns, end_ns = overheat.start_ns + 5 * S, overheat.start_ns + 9 * S
    path = tmp_path / "out.parquet"
    shares: list[float] = []
    count = export(
        overheat, path, start_ns=start_ns, end_ns=end_ns, joints=["shoulder"],
        channels=["voltage_V", "temperature_housing_degC"], progress=shares.append,
    )  # fmt: skip
    table = _read(path)
    time_ns, value = overheat.read_readings("shoulder", start_ns, end_ns).channel_series(
        "voltage_V"
    )
    assert list(table.columns) == ["time", "joint", "temperature_housing_degC", "voltage_V"]
    np.testing.assert_array_equal(_times_ns(table), time_ns)
    np.testing.assert_array_equal(table["voltage_V"], value)
    assert count == len(time_ns) > 0
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_nothing_is_replaced_unasked(tmp_path: Path, overheat: Recording):
    """A file that is there stays, unless it was said that it may go."""
    path = tmp_path / "out.csv"
    path.write_text("mine")
    with pytest.raises(InputError, match="--force"):
        export(overheat, path, end_ns=overheat.start_ns + S)
    assert path.read_text() == "mine"
    export(overheat, path, end_ns=overheat.start_ns + S, replace=True)
    assert path.read_text().startswith("time,")


@pytest.mark.parametrize(
    ("name", "chosen", "words"),
    [
        ("out.xls", {}, r"'\.xls'.*expected \.csv or \.parquet"),
        ("nowhere/out.csv", {}, "no such folder"),
        ("out.csv", {"joints": ["elbo"]}, "Did you mean 'elbow'"),
        ("out.csv", {"channels": ["torque"]}, "Did you mean 'torque_Nm'"),
        ("out.csv", {"start_ns": 2**62}, "span is empty"),
    ],
)
def test_what_cannot_be_exported(
    tmp_path: Path, overheat: Recording, name: str, chosen: dict, words: str
):
    """One sentence, no file."""
    with pytest.raises(InputError, match=words):
        export(overheat, tmp_path / name, **chosen)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("replaces", [False, True])
def test_stopped_it_leaves_nothing(tmp_path: Path, overheat: Recording, replaces: bool):  # noqa: FBT001
    """Neither half a file nor the loss of the one that was there."""
    path = tmp_path / "out.csv"
    if replaces:
        path.write_text("mine")
    stop = threading.Event()
    with pytest.raises(OutsideFault, match="nothing was left behind"):
        export(overheat, path, replace=True, progress=lambda _: stop.set(), stop=stop)
    assert [one.name for one in tmp_path.iterdir()] == (["out.csv"] if replaces else [])
    assert not replaces or path.read_text() == "mine"


def test_a_disk_that_takes_no_more(
    tmp_path: Path, overheat: Recording, monkeypatch: pytest.MonkeyPatch
):
    """One sentence, no half file."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OutsideFault, match="No space left"):
        export(overheat, tmp_path / "out.parquet")
    assert list(tmp_path.iterdir()) == []


def test_parquet_has_the_findings_of_its_joints(tmp_path: Path):
    """Those that stand on its span, in its metadata; a reader that does not know them is fine."""
    recording = small_recording(tmp_path / "rec")
    keep_finding(recording.path, play_finding(recording, 9.0))
    kept = keep_finding(recording.path, play_finding(recording))
    for name, end_s, ids in (("with", 5, [kept.id]), ("without", 1, [])):
        out = tmp_path / f"{name}.parquet"
        export(recording, out, end_ns=recording.start_ns + end_s * 1_000_000_000)
        found = json.loads(pq.read_schema(out).metadata[FINDINGS_KEY])
        assert [one["id"] for one in found] == ids
        assert pq.read_table(out).num_rows == 10 * end_s
