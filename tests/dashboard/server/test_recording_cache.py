"""What open pages see of a recording that ends, is gone on with, or gets a sensor."""

from pathlib import Path

import numpy as np
import pytest

from dashboard.server.recording_cache import RecordingCache, RecordingNotFoundError
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import SensorSettings
from logger.simulate import scenario
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.tools.add_sensor import add_sensor
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _readings(joint: str, channel: str, at_s: int, count: int) -> ReadingBatch:
    return ReadingBatch(
        joint=joint,
        time_ns=START_NS + at_s * S + np.arange(count) * 10_000_000,
        position_segment=np.full(count, -1, np.int32),
        columns={channel: np.arange(count, dtype=float)},
    )


def test_an_end_that_nobody_watched_and_going_on_are_seen(tmp_path: Path):
    """Ended between two looks: ended on the page. Gone on with: live again, with its new rows."""
    path = tmp_path / "rec"
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="duty", started_ns=START_NS), BENCH, now_s=0.0
    )
    writer.append_readings(_readings("shoulder", "torque_Nm", 1, 50))
    writer.tick(1.0)
    shelf = RecordingCache(tmp_path)
    assert shelf.open_recording("rec").live
    writer.close(ended_ns=START_NS + 5 * S, cause="stopped")
    ended = shelf.open_recording("rec")
    assert not ended.live
    assert ended.end_ns == START_NS + 5 * S
    assert ended.describe_missing() == ()
    clock = ClockAnchor(boottime_ns=1, wall_ns=START_NS + 9 * S)
    writer = RecordingWriter.resume(path, BENCH, clock=clock, now_s=0.0)
    writer.append_readings(_readings("shoulder", "torque_Nm", 10, 30))
    writer.tick(1.0)
    again = shelf.open_recording("rec")
    assert again.live
    assert again.reading_count("shoulder") == 80
    writer.close(ended_ns=START_NS + 12 * S, cause="stopped")
    assert shelf.open_recording("rec").end_ns == START_NS + 12 * S
    assert shelf.open_recording("rec").describe_missing() == ()


def test_a_sensor_that_joins_is_seen(tmp_path: Path):
    """The recording is opened anew: its joints are others."""
    path = tmp_path / "rec"
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="duty", started_ns=START_NS), BENCH, now_s=0.0
    )
    writer.append_readings(_readings("shoulder", "torque_Nm", 1, 50))
    writer.close(ended_ns=START_NS + 5 * S, cause="stopped")
    shelf = RecordingCache(tmp_path)
    assert "probe" not in shelf.open_recording("rec").joints
    sensor = SensorSettings(name="probe", channels=("temperature_ambient_degC",), hold_s=1.0)
    add_sensor(path, sensor, [_readings("probe", "temperature_ambient_degC", 2, 20)])
    joined = shelf.open_recording("rec")
    assert "probe" in joined.joints
    assert joined.reading_count("probe") == 20


def test_a_list_opens_a_finished_recording_once(tmp_path: Path):
    """What a list says is worked out once, and anew when the recording's own words change."""
    path = tmp_path / "rec"
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="duty", started_ns=START_NS), BENCH, now_s=0.0
    )
    writer.append_readings(_readings("shoulder", "torque_Nm", 1, 50))
    shelf = RecordingCache(tmp_path)
    asked: list[str] = []

    def work(recording: Recording) -> tuple[str, ...]:
        asked.append(recording.name)
        return recording.joints

    def told() -> tuple[str, ...]:
        (found,) = shelf.list_entries()
        return shelf.derive_for_list("joints", found, work)

    writer.tick(1.0)
    assert told() == ("shoulder", "elbow")
    writer.close(ended_ns=START_NS + 5 * S, cause="stopped")
    told()
    count = len(asked)
    assert told() == ("shoulder", "elbow")
    assert len(asked) == count
    settings = SensorSettings.model_validate(
        {"name": "room", "channels": ["temperature_ambient_degC"], "hold_s": 10.0}
    )
    add_sensor(path, settings, [_readings("room", "temperature_ambient_degC", 2, 20)])
    assert told() == ("shoulder", "elbow", "room")


def test_of_a_live_recording_only_the_newest_state_is_kept(tmp_path: Path):
    """A list that is looked at all night derives it at each look, and keeps one of them."""
    path = tmp_path / "rec"
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="duty", started_ns=START_NS), BENCH, now_s=0.0
    )
    shelf = RecordingCache(tmp_path)
    derived = []
    for second in range(1, 6):
        writer.append_readings(_readings("shoulder", "torque_Nm", second, 10))
        writer.tick(float(second))
        (entry,) = shelf.list_entries()
        for _ in range(2):
            rows = shelf.derive_for_list(
                "rows", entry, lambda found: derived.append(found.end_ns) or len(derived)
            )
            assert rows == second, "once for each state"
    writer.close(ended_ns=START_NS + 9 * S, cause="stopped")
    (entry,) = shelf.list_entries()
    assert shelf.derive_for_list("rows", entry, lambda _found: "ended") == "ended"
    assert len(shelf._list_cache) == 1


def _record(path: Path, *, at_s: int, boottime_ns: int = 1, ends: bool = True) -> RecordingWriter:
    manifest = new_manifest(
        BENCH, name=path.name, started_ns=START_NS + at_s * S, boottime_ns=boottime_ns
    )
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0)
    if ends:
        writer.close(ended_ns=START_NS + (at_s + 5) * S, cause="stopped")
    return writer


def test_a_newer_test_that_ended_unseen_comes_before_the_one_shown(tmp_path: Path):
    """Not an import of other times, nor an older one; what is being written comes before all."""
    cache = RecordingCache(tmp_path)
    assert cache.newest_recorded(None) is None
    _record(tmp_path / "older", at_s=0)
    assert cache.newest_recorded(None) is None
    _record(tmp_path / "shown", at_s=10)
    assert cache.newest_recorded("shown") == "shown"
    _record(tmp_path / "imported", at_s=30, boottime_ns=0)
    assert cache.newest_recorded("shown") == "shown"
    _record(tmp_path / "unseen", at_s=20)
    assert cache.newest_recorded("shown") == "unseen"
    assert cache.newest_recorded("gone") == "gone"
    writer = _record(tmp_path / "live", at_s=15, ends=False)
    assert cache.newest_recorded("shown") == cache.newest_recorded(None) == "live"
    writer.close(ended_ns=START_NS + 40 * S, cause="stopped")


def test_a_name_that_no_address_takes_says_why(tmp_path: Path):
    """A folder with a space is there, and is not opened: the answer says what to do."""
    (tmp_path / "bench day").mkdir()
    with pytest.raises(RecordingNotFoundError, match="rename the folder"):
        RecordingCache(tmp_path).find_path("bench day")


def test_a_list_opens_no_recording_beside_itself(tmp_path: Path):
    """One that a page has open is looked at as it is; one that nobody has open is not kept open."""
    _record(tmp_path / "rec", at_s=0)
    cache = RecordingCache(tmp_path)
    opened = cache.open_recording("rec")
    (entry,) = cache.list_entries()
    assert cache.derive_for_list("itself", entry, lambda found: found) is opened
    _record(tmp_path / "other", at_s=10)
    (entry,) = (one for one in cache.list_entries() if one.path.name == "other")
    cache.derive_for_list("itself", entry, lambda found: found)
    assert cache._open.get("other") is None
