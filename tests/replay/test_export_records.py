"""Cycles and attached files as one table: read back it is what the recording holds."""

from pathlib import Path

import pandas as pd
import pytest

from logger.errors import InputError
from logger.store.layout.files import cycles_stream
from logger.store.repair.attach_file import attach_file
from logger.store.tools.cut import copy_span
from logger.store.tools.pack import write_tar
from logger.store.tools.unpack import extract_recording
from replay.export_records import ExportedTable, export_records
from replay.recording import Recording
from tests.logger.campaign.pick_and_place import START_NS, S
from tests.support.followed_plan import record_campaign


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give a campaign with two files attached, one of them in its second minute."""
    folder = tmp_path_factory.mktemp("followed")
    recording = record_campaign(folder / "rec", [])
    for name, at_s in (("early, oil.txt", 90), ("late.txt", 400)):
        (folder / name).write_text(name, encoding="utf-8")
        attach_file(recording.path, folder / name, name=name, time_ns=START_NS + at_s * S)
    return Recording.open(recording.path)


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_cycles_read_back_are_those_recorded(followed: Recording, tmp_path: Path, suffix: str):
    """Every cycle, every figure to the last bit."""
    out = tmp_path / f"cycles{suffix}"
    assert export_records(followed, out, ExportedTable.CYCLES) == 59
    read = pd.read_csv(out) if suffix == ".csv" else pd.read_parquet(out)
    rows = followed.read_rows(cycles_stream("a"), start_ns=0, end_ns=2**62)
    assert set(read["joint"]) == {"a"}
    times = pd.to_datetime(read["time"], format="ISO8601", utc=True).astype("datetime64[ns, UTC]")
    assert times.astype("int64").tolist() == rows["time"].cast("int64").to_pylist()
    for name in ("cycle", "kind", "stage"):
        assert read[name].tolist() == rows[name].to_pylist()
    assert read["rms_torque_Nm"].tolist() == rows["rms_torque_Nm"].to_pylist()


def test_files_and_cycles_of_a_span_come_along_in_cut_and_pack(followed: Recording, tmp_path: Path):
    """A cut and a packed recording export what the original does of their span."""
    begin_ns, end_ns = START_NS + 60 * S, START_NS + 200 * S
    cut = copy_span(followed.path, out=tmp_path / "cut", start_ns=begin_ns, end_ns=end_ns)
    write_tar(cut.path, tmp_path / "cut.tar")
    (tmp_path / "there").mkdir()
    unpacked = extract_recording(tmp_path / "cut.tar", tmp_path / "there")
    read = []
    for number, recording in enumerate((followed, Recording.open(unpacked))):
        for which in (ExportedTable.CYCLES, ExportedTable.FILES):
            out = tmp_path / f"{number}-{which}.csv"
            export_records(recording, out, which, start_ns=begin_ns, end_ns=end_ns)
            read.append(out.read_text(encoding="utf-8"))
    assert read[:2] == read[2:]
    files = pd.read_csv(tmp_path / "1-files.csv")
    assert files[["name", "state"]].to_numpy().tolist() == [["early, oil.txt", "there"]]
    assert export_records(followed, tmp_path / "all.csv", ExportedTable.FILES) == 2


def test_what_cannot_be_exported_is_refused(
    followed: Recording, overheat: Recording, tmp_path: Path
):
    """No cycles, a wrong suffix, a file that is there, an empty span, no such joint."""
    (tmp_path / "there.csv").write_text("x", encoding="utf-8")
    out = tmp_path / "out.csv"
    for recording, path, chosen, words in (
        (overheat, out, {}, "no recorded cycles"),
        (followed, tmp_path / "out.xls", {}, "expected .csv or .parquet"),
        (followed, tmp_path / "there.csv", {}, "already exists"),
        (followed, out, {"start_ns": 5, "end_ns": 5}, "empty"),
        (followed, out, {"joints": ["b"]}, "--joint"),
    ):
        with pytest.raises(InputError, match=words):
            export_records(recording, path, ExportedTable.CYCLES, **chosen)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["there.csv"]
