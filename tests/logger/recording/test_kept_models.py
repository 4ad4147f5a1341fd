"""A joint without a model of heat gets the one that was kept of it, and the bench says whence."""

import os
from datetime import date

import pytest

from logger.findings.finding import Finding, FoundQuantity, IntervalBy, KeptModel, Method
from logger.findings.finding_text import finding_text
from logger.joint.bench.bench import Bench, bench_from_texts, read_bench
from logger.joint.bench.thermal_settings import ModelFinding, ThermalSettings
from logger.recording.kept_models import is_bench_of, with_kept_models
from logger.simulate.scenario import SCENARIO_LAYOUT, scenario_bench_text, scenario_layout_text
from logger.store.layout.files import FINDINGS_FOLDER
from logger.store.layout.manifest import new_manifest, write_manifest

THERMAL = ThermalSettings(
    housing_rise=0.3, housing_time_s=300.0, log_covariance=((0.01, 0.002), (0.002, 0.04))
)


def keep_model(folder, digit: str, rise: float, *, joint: str = "shoulder", serial: str = ""):
    """Put a finding of heat with a model into a recording's folder."""
    quantity = FoundQuantity(
        name="housing_rise",
        value=rise,
        unit="K/A2",
        standard_uncertainty=0.03,
        low=rise - 0.05,
        high=rise + 0.05,
        interval_by=IntervalBy.CURVATURE,
    )
    thermal = THERMAL.model_copy(update={"housing_rise": rise})
    finding = Finding(
        format=2,
        id=digit * 32,
        kind="heat",
        joint=joint,
        serial=serial,
        quantities=(quantity,),
        method=Method(name="made for a test"),
        made_ns=int(digit) * 1_000_000_000,
        heat_model=KeptModel(thermal=thermal, ambient_degC=23.44),
    )
    (folder / FINDINGS_FOLDER).mkdir(parents=True, exist_ok=True)
    (folder / FINDINGS_FOLDER / f"{finding.id}.json").write_text(finding_text(finding), "utf-8")


def demo_bench(folder) -> Bench:
    """Return the demo's bench, whose joints have no model."""
    path = folder / "bench.toml"
    path.write_text(scenario_bench_text("/dev/none"), encoding="utf-8")
    (folder / f"{SCENARIO_LAYOUT}.toml").write_text(scenario_layout_text(), encoding="utf-8")
    return read_bench(path)


def test_the_newest_model_of_a_joint_is_taken(tmp_path):
    """With its covariance, its room and its finding; the other joint stays without."""
    bench, recordings = demo_bench(tmp_path), tmp_path / "recordings"
    keep_model(recordings / "20260101T000000Z-a", "1", 0.3)
    keep_model(recordings / "20260102T000000Z-b", "2", 0.4)
    (recordings / "20260102T000000Z-b" / FINDINGS_FOLDER / f"{'3' * 32}.json").write_text("{}")
    found, taken = with_kept_models(bench, "bench.toml", recordings)
    thermal = found.joint_named("shoulder").thermal
    assert thermal.housing_rise == 0.4
    assert thermal.log_covariance == THERMAL.log_covariance
    assert thermal.ambient_degC == 23.4
    assert thermal.source == "finding 22222222 of 20260102T000000Z-b"
    assert found.joint_named("elbow").thermal is None
    assert [(one.joint, one.recording) for one in taken] == [("shoulder", "20260102T000000Z-b")]
    # What the recording carries reads back as the same bench.
    again = bench_from_texts(found.text, found.layout_texts, where="recording")
    assert again.joint_named("shoulder").thermal == thermal


def test_whence_a_model_is_stands_in_fields(tmp_path):
    """Finding, folder, name and day of its recording; one that cannot be read is its folder."""
    bench, recordings = demo_bench(tmp_path), tmp_path / "recordings"
    keep_model(recordings / "20260101T000000Z-day-3", "1", 0.3)
    keep_model(recordings / "20260102T000000Z-b", "2", 0.3, joint="elbow")
    manifest = new_manifest(bench, name="Day  3", started_ns=1_795_000_000_000_000_000)
    write_manifest(recordings / "20260101T000000Z-day-3", manifest)
    found, _ = with_kept_models(bench, "bench.toml", recordings)
    again = bench_from_texts(found.text, found.layout_texts, where="recording")
    assert again.joint_named("shoulder").thermal.finding == ModelFinding(
        id="1" * 32,
        recording="20260101T000000Z-day-3",
        name="Day 3",
        date=date(2026, 11, 18),
    )
    unread = again.joint_named("elbow").thermal.finding
    assert (unread.recording, unread.name) == ("20260102T000000Z-b", "20260102T000000Z-b")


@pytest.mark.parametrize("folder", [b"\xff-a", b" ", b'a\n"b', b"x" * 255])
def test_a_folder_of_any_name_is_taken_from(tmp_path, folder: bytes):
    """A name that is no text, is blank, breaks its line or is as long as a disk has any."""
    bench, recordings = demo_bench(tmp_path), tmp_path / "recordings"
    keep_model(recordings / os.fsdecode(folder), "1", 0.3)
    found, (taken,) = with_kept_models(bench, "bench.toml", recordings)
    assert found.joint_named("shoulder").thermal.finding.id == taken.finding == "1" * 32
    assert (found.text + taken.recording).encode("utf-8")


def test_a_joints_own_model_stays(tmp_path):
    """And without findings, or without a folder, the bench is the one that was read."""
    bench, recordings = demo_bench(tmp_path), tmp_path / "recordings"
    assert with_kept_models(bench, "bench.toml", recordings) == (bench, ())
    keep_model(recordings / "20260101T000000Z-a", "1", 0.3)
    found, _ = with_kept_models(bench, "bench.toml", recordings)
    assert is_bench_of(found, bench, "bench.toml"), "it goes on with the file that it began with"
    other = bench_from_texts(f"{bench.text}\n# moved", bench.layout_texts, where="bench.toml")
    assert not is_bench_of(found, other, "bench.toml")
    keep_model(recordings / "20260103T000000Z-c", "4", 0.5)
    assert with_kept_models(found, "bench.toml", recordings) == (found, ())
