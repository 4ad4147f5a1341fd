"""A sensor joins by its time, and is read like a joint from then on."""

import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError, OutsideFault
from logger.importing.import_frames import import_frames
from logger.importing.redecode import redecode_frames
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import SensorSettings
from logger.limits.limit import check_for_bench, parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import new_manifest
from logger.store.tools.add_sensor import add_sensor, remove_sensor
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.export import export
from replay.recording import Recording
from replay.statistics import span_statistics
from replay.tuning.bad_ends import watched_joints
from replay.window import read_envelope, read_polyline

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
CHANNEL = "temperature_ambient_degC"
PROBE = SensorSettings(name="probe", channels=(CHANNEL,), hold_s=3.0)
BENCH = scenario.scenario_bench(channel="x", rate_Hz=20.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give a recording of two minutes."""
    out = tmp_path / "rec"
    import_frames(
        simulate_frames(hours=1 / 30, rate_Hz=20.0, seed=1, start_ns=START_NS),
        bench=BENCH,
        limits=parse_limits(scenario.scenario_limits_text(), "limits.toml"),
        out=out,
        name="t",
        start_ns=START_NS,
        end_ns=START_NS + 120 * S,
    )
    return out


def _readings(*, first_s: int = -5, last_s: int = 130) -> list[ReadingBatch]:
    seconds = np.arange(first_s, last_s)
    return [
        ReadingBatch(
            joint="probe",
            time_ns=START_NS + part * S,
            position_segment=np.full(len(part), -1, np.int32),
            columns={CHANNEL: 20.0 + part},
        )
        for part in np.array_split(seconds, 4)
    ]


def test_it_is_read_like_a_joint(path: Path):
    """Its rows within the span, its overview, figures and lines; what lies outside is counted."""
    joined = add_sensor(path, PROBE, _readings())
    assert (joined.rows, joined.outside) == (120, 15)
    recording = Recording.open(path)
    assert recording.joints == ("shoulder", "elbow", "probe")
    assert recording.channels("probe") == (CHANNEL,)
    assert not recording.describe_missing()
    time_ns, value = recording.read_readings("probe", 0, 2**62).channel_series(CHANNEL)
    assert time_ns.tolist() == [START_NS + at * S for at in range(120)]
    assert value.tolist() == [20.0 + at for at in range(120)]
    found = span_statistics(recording, "probe", CHANNEL, START_NS, START_NS + 120 * S)
    assert (found.n, found.minimum, found.maximum) == (120, 20.0, 139.0)
    assert found.duration_s == pytest.approx(120.0)
    assert found.mean == pytest.approx(79.5)
    assert recording.read_gaps("probe") == []
    shape = read_envelope(recording, "probe", CHANNEL, START_NS, START_NS + 120 * S, bins=10)
    assert np.nanmax(shape.maximum) == 139.0
    assert (
        len(read_polyline(recording, "probe", CHANNEL, START_NS, START_NS + 120 * S, bins=500)[0])
        == 120
    )


def test_the_status_folder_stays_one_table(path: Path):
    """Pandas reads all joints and the sensor together; what the joints said is as it was."""
    before = {
        joint: Recording.open(path).read_readings(joint, 0, 2**62)
        for joint in ("shoulder", "elbow")
    }
    add_sensor(path, PROBE, _readings())
    table = pd.read_parquet(path / "status")
    assert set(table["joint"]) == {"shoulder", "elbow", "probe"}
    assert table.groupby("joint", observed=True)[CHANNEL].max()["probe"] == 139.0
    recording = Recording.open(path)
    for joint, old in before.items():
        new = recording.read_readings(joint, 0, 2**62)
        np.testing.assert_array_equal(new.time_ns, old.time_ns)
        for channel in old.columns:
            np.testing.assert_array_equal(new.columns[channel], old.columns[channel])
    assert not [one.name for one in path.iterdir() if one.name.startswith(".")]


def _limits(*, joint: str = "") -> str:
    named = f'joint = "{joint}"\n' if joint else ""
    return (
        'format = 1\n[[limit]]\nname = "warm"\nkind = "level"\nseverity = "warning"\n'
        f'channel = "{CHANNEL}"\nabove = 100.0\n{named}'
        '[[limit]]\nname = "silent"\nkind = "silence"\nseverity = "warning"\nafter_s = 0.5\n'
        f"{named}"
    )


def test_only_limits_that_name_it_judge_it(path: Path):
    """An instrument is no joint: neither hot nor silent unless a limit says so by its name."""
    add_sensor(path, PROBE, _readings())
    recording = Recording.open(path)
    unnamed = parse_limits(_limits(), "limits.toml")
    assert [one for one in find_excursions(recording, unnamed) if one.joint == "probe"] == []
    named = parse_limits(_limits(joint="probe"), "limits.toml")
    found = [one.limit for one in find_excursions(recording, named)]
    assert found.count("warm") == 1
    assert found.count("silent") > 100
    check_for_bench(named, recording.bench, "limits.toml")
    with pytest.raises(InputError, match=r"no joint of the bench carries.*joint = 'probe'"):
        check_for_bench(unnamed, recording.bench, "limits.toml")


def test_it_is_neither_silent_nor_in_the_way_of_tune(path: Path):
    """Read for ten seconds only: no gap that a check would tell of, no joint that tune watches."""
    add_sensor(path, PROBE, _readings(first_s=5, last_s=15))
    recording = Recording.open(path)
    assert {gap.joint for gap in check_recording(recording).gaps} <= {"shoulder", "elbow"}
    limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
    assert watched_joints(recording, limits.limits) == ("shoulder", "elbow")


def test_it_is_replaced(path: Path):
    """By other readings of other channels; without being asked for it, it is refused."""
    add_sensor(path, PROBE, _readings())
    other = SensorSettings(name="probe", channels=("mass_kg",), hold_s=2.0)
    weighed = [
        ReadingBatch(
            joint="probe",
            time_ns=START_NS + np.arange(5) * S,
            position_segment=np.full(5, -1, np.int32),
            columns={"mass_kg": np.arange(5.0)},
        )
    ]
    with pytest.raises(InputError, match="--replace"):
        add_sensor(path, other, weighed)
    assert add_sensor(path, other, weighed, replace=True).rows == 5
    recording = Recording.open(path)
    assert recording.channels("probe") == ("mass_kg",)
    assert recording.read_readings("probe", 0, 2**62).columns["mass_kg"].tolist() == [0, 1, 2, 3, 4]
    assert recording.bench.text.count("[[sensor]]") == 1
    assert not recording.describe_missing()
    status = pd.read_parquet(path / "status")
    assert "mass_kg" in status
    with pytest.raises(InputError, match="'elbow' among its joints"):
        add_sensor(path, SensorSettings(name="elbow", channels=("mass_kg",)), weighed, replace=True)


@pytest.mark.parametrize("failing", ["sync_folder", "write_manifest"])
def test_a_replacement_that_fails_leaves_the_old_one(
    path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
):
    """The disk refuses when the new readings are in place already: the old ones are back."""
    add_sensor(path, PROBE, _readings())
    before = sorted(one.relative_to(path) for one in path.rglob("*"))

    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(f"logger.store.tools.add_sensor.{failing}", refuse)
        with pytest.raises(OutsideFault, match=r"No space left.*as it was"):
            add_sensor(path, PROBE, _readings(first_s=5, last_s=9), replace=True)
    assert sorted(one.relative_to(path) for one in path.rglob("*")) == before
    recording = Recording.open(path)
    assert recording.reading_count("probe") == 120
    assert not recording.describe_missing()
    assert add_sensor(path, PROBE, _readings(first_s=5, last_s=9), replace=True).rows == 4


def _second_readings() -> list[ReadingBatch]:
    return [replace(batch, joint="second") for batch in _readings()]


def test_it_is_removed_as_if_it_had_never_been_there(path: Path):
    """Bench text, columns and files; a joint or a stranger is not removed."""
    bench_text = Recording.open(path).bench.text
    before = sorted(one.relative_to(path) for one in path.rglob("*"))
    schema = pq.read_schema(next((path / "status" / "joint=elbow").iterdir())).names
    add_sensor(path, PROBE, _readings())
    add_sensor(path, PROBE.model_copy(update={"name": "second"}), _second_readings())
    for stranger in ("elbow", "third"):
        with pytest.raises(InputError, match="expected one of its sensors: probe, second"):
            remove_sensor(path, stranger)
    assert remove_sensor(path, "probe") == 120
    assert Recording.open(path).joints == ("shoulder", "elbow", "second")
    assert Recording.open(path).reading_count("second") == 120
    assert remove_sensor(path, "second") == 120
    recording = Recording.open(path)
    assert recording.bench.text.rstrip() == bench_text.rstrip()
    assert not recording.describe_missing()
    assert sorted(one.relative_to(path) for one in path.rglob("*")) == before
    assert pq.read_schema(next((path / "status" / "joint=elbow").iterdir())).names == schema


def test_it_is_exported_and_decoded_again_with_the_rest(path: Path, tmp_path: Path):
    """An export holds it in order of time; a recording decoded again has it still."""
    add_sensor(path, PROBE, _readings())
    redecode_frames(path, bench=BENCH, out=tmp_path / "again")
    again = Recording.open(tmp_path / "again")
    assert again.joints == ("shoulder", "elbow", "probe")
    assert not again.describe_missing()
    for name, recording in (("one", Recording.open(path)), ("two", again)):
        export(recording, tmp_path / f"{name}.parquet", joints=["probe"])
    one, two = (pd.read_parquet(tmp_path / f"{name}.parquet") for name in ("one", "two"))
    pd.testing.assert_frame_equal(one, two)
    assert one[CHANNEL].tolist() == [20.0 + at for at in range(120)]
    left, right = (
        span_statistics(recording, "probe", CHANNEL, START_NS, START_NS + 100 * S)
        for recording in (Recording.open(path), again)
    )
    assert left == right


def test_what_cannot_join(path: Path, tmp_path: Path):
    """A name that is taken, readings of another day, a recording that is not closed."""
    before = (path / "recording.json").read_bytes()
    taken = SensorSettings(name="elbow", channels=(CHANNEL,))
    with pytest.raises(InputError, match=r"'elbow'.*--name"):
        add_sensor(path, taken, _readings())
    with pytest.raises(InputError, match=r"none of them within.*--start"):
        add_sensor(path, PROBE, _readings(first_s=500, last_s=600))
    assert (path / "recording.json").read_bytes() == before
    writer = RecordingWriter(
        tmp_path / "live", new_manifest(BENCH, name="t", started_ns=START_NS), BENCH, now_s=0.0
    )
    with pytest.raises(InputError, match="is writing"):
        add_sensor(tmp_path / "live", PROBE, _readings())
    writer.abandon()


def test_stopped_or_failed_the_recording_is_as_it_was(path: Path, monkeypatch: pytest.MonkeyPatch):
    """Nothing of the sensor is left; it can join afterwards."""
    before = sorted(one.relative_to(path) for one in path.rglob("*"))
    stop = threading.Event()
    with pytest.raises(OutsideFault, match="as it was"):
        add_sensor(path, PROBE, _readings(), progress=lambda _: stop.set(), stop=stop)
    with monkeypatch.context() as patched:

        def full(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        patched.setattr("logger.store.writing.sealer.write_part", full)
        with pytest.raises(OutsideFault, match=r"No space left.*as it was"):
            add_sensor(path, PROBE, _readings())
    assert sorted(one.relative_to(path) for one in path.rglob("*")) == before
    assert "probe" not in Recording.open(path).joints
    # What a power cut between the last renames would leave.
    (path / status_stream("probe")).mkdir()
    (path / status_stream("probe") / "part-000000000000-000000000009.parquet").write_bytes(b"x")
    assert add_sensor(path, PROBE, _readings()).rows == 120
    assert not Recording.open(path).describe_missing()
