"""A recording that is gone on with: numbers, alerts and segments are taken up, the gap is told."""

import math
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import can
import numpy as np
import pytest

from logger.arrays import to_ns
from logger.bus.clock import read_boot_id
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.evaluate import evaluate, initial_state, plan_limits
from logger.limits.limit import LimitSet, parse_limits
from logger.recording.record_settings import RecordSettings, settings_to_resume
from logger.recording.recorder import RecordResult, record
from logger.recording.resume import ResumeReader, resume_limits, resume_point
from logger.simulate import scenario
from logger.store.layout.events import Event, pause_ns
from logger.store.layout.older_events import events_of
from logger.store.repair.post_request import submit_request
from replay.bus_events import find_outages
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.excursions.recorded import recorded_excursions
from replay.recording import Recording
from replay.statistics import span_statistics as figures_of
from tests.support.demo_drive import answer_id, health_answer, motion_answer
from tests.support.recorder import Recorder, kinds_told

LIMITS = """
format = 1

[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 60.0
drop_off = 50.0

[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 0.6
"""


def _bench(channel: str, joints: str = 'name = "shoulder"') -> Bench:
    return bench_from_texts(
        f'[bus]\ninterface = "virtual"\nchannel = "{channel}"\n'
        f'[[joint]]\n{joints}\nlayout = "harvest-joint"\nnode = 3\n',
        {"harvest-joint": scenario.scenario_layout_text()},
        where="bench.toml",
    )


def _answer(payload: bytes) -> can.Message:
    return can.Message(arbitration_id=answer_id(3), data=payload, is_extended_id=False)


def _health(celsius: int) -> can.Message:
    return _answer(health_answer(celsius))


def _motion(count: int) -> can.Message:
    return _answer(motion_answer(count))


def _run(settings: RecordSettings, *messages: can.Message, every_s: float = 0.0) -> RecordResult:
    """Record those messages, so far apart at least, then end: what came by then is recorded."""
    with can.Bus(interface="virtual", channel=settings.bench.buses[0].channel) as other:
        running = Recorder(settings)
        for message in messages:
            other.send(message)
            time.sleep(every_s)
        ended = running.end()
    assert ended is not None, running.fault
    return ended


def _first(path: Path, channel: str, limits: LimitSet) -> RecordSettings:
    return RecordSettings(
        bench=_bench(channel), where="bench.toml", limits=limits, out=path, name="duty"
    )


def test_numbers_alerts_and_segments_go_on(tmp_path: Path):
    """One recording: no row doubled or lost, a trip still latched, a new position segment."""
    path = tmp_path / "rec"
    limits = parse_limits(LIMITS, "limits.toml")
    _run(_first(path, "on-1", limits), _motion(100), _motion(200), _health(70), _health(71))
    first = Recording.open(path)
    assert [alert.limit for alert in first.read_alerts()] == ["hot"]
    time.sleep(0.4)
    ended = _run(settings_to_resume(path), _motion(300), _health(72), _health(40))
    recording = Recording.open(path)
    kinds = [event.kind for event in recording.read_events()]
    assert kinds.count("started") == 1
    assert kinds.count("continued") == 1
    assert [event.sequence for event in recording.read_events()] == list(range(len(kinds)))
    hot = [event for event in recording.read_events() if event.limit == "hot"]
    assert [(event.kind, event.alert) for event in hot] == [("raised", 1), ("returned", 1)]
    assert hot[1].value == 72.0, "the peak of the whole alert"
    (alert,) = [one for one in recording.read_alerts() if one.limit == "hot"]
    assert alert.state_at(recording.end_ns) == "latched"
    batch = recording.read_readings("shoulder", 0, 2**62)
    assert len(batch) == 7
    assert (np.diff(batch.time_ns) > 0).all()
    assert batch.position_segment[batch.position_segment >= 0].tolist() == [0, 0, 1]
    assert ended.frames == 7
    found = check_recording(recording)
    assert found.is_complete
    away = [gap for gap in found.gaps if gap.cause == "no recorder ran"]
    assert len(away) == 1
    assert away[0].duration_s > 0.4
    assert recording.manifest.resumed
    assert recording.manifest.ended_ns == recording.end_ns


def test_figures_over_the_seam_are_those_of_the_rows(tmp_path: Path):
    """The pyramid of a recording that was gone on with is equal to its raw rows."""
    path = tmp_path / "rec"
    _run(_first(path, "on-2", LimitSet()), *[_health(20 + i) for i in range(10)])
    _run(settings_to_resume(path), *[_health(40 + i) for i in range(10)])
    recording = Recording.open(path)
    start_ns, end_ns = recording.start_ns, recording.end_ns
    figures = figures_of(recording, "shoulder", "temperature_housing_degC", start_ns, end_ns)
    time_ns, value = recording.read_readings("shoulder", 0, 2**62).channel_series(
        "temperature_housing_degC"
    )
    hold_ns = recording.hold_ns("shoulder")["temperature_housing_degC"]
    held = np.minimum(np.append(time_ns[1:], end_ns), time_ns + hold_ns) - time_ns
    assert figures.n == 20
    assert figures.mean == pytest.approx((value * held).sum() / held.sum(), rel=1e-9)
    assert (figures.minimum, figures.maximum) == (20.0, 49.0)


def test_a_killed_recorder_is_gone_on_with(tmp_path: Path):
    """After SIGKILL: what was left is sealed, and the command goes on in it."""
    path = tmp_path / "rec"
    bench = tmp_path / "bench.toml"
    bench.write_text(_bench("on-3").text, encoding="utf-8")
    command = [sys.executable, "-m", "dutytrace", "record"]
    process = subprocess.Popen(
        [*command, str(bench), "--out", str(path)], stdout=subprocess.PIPE, text=True
    )
    assert "Recording into" in process.stdout.readline()
    time.sleep(0.4)
    process.send_signal(signal.SIGKILL)
    process.wait(60)
    process.stdout.close()
    ended = subprocess.run(
        [*command, "--continue", str(path), "--duration", "1s"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    recording = Recording.open(path)
    assert kinds_told(recording) == ["started", "continued", "ended"]
    assert not recording.live


IMAGE = """
format = 1

[[limit]]
name = "image"
kind = "thermal"
severity = "warning"
channel = "current_A"
basic = 5.0
heating_s = 2.0
cooling_s = 20.0
above_percent = 5.0
"""


def _current(amperes: float) -> can.Message:
    return _answer(motion_answer(current_A=amperes))


def test_a_thermal_image_survives_and_has_cooled(tmp_path: Path):
    """It goes on from where it stood, the time off counted as rest; afterwards is told the same."""
    path = tmp_path / "rec"
    limits = parse_limits(IMAGE, "limits.toml")
    _run(_first(path, "on-9", limits), *[_current(40.0)] * 60, _current(0.0), every_s=0.005)
    (row,) = Recording.open(path).bench.joints
    plan = plan_limits(
        limits, joint="shoulder", hold_ns=Recording.open(path).bench.hold_times_ns_of(row)
    )
    start = resume_point(path)
    batch = Recording.open(path).read_readings("shoulder", 0, 2**62)
    _, at_end = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=0)
    level = at_end.memories["image"].level
    assert level > 0.5
    last_ns = int(batch.time_ns[-1])
    later = resume_limits(plan, start, start_ns=last_ns + 20_000_000_000)
    assert later.memories["image"].level == pytest.approx(level / math.e)
    assert later.active_limits == ("image",)
    time.sleep(0.3)
    # Gone on with at rest, it stands above 5 % still: nothing is raised anew, nothing returns.
    _run(settings_to_resume(path), _current(0.0), _current(0.0))
    recording = Recording.open(path)
    told = [event.kind for event in recording.read_events() if event.limit == "image"]
    assert told == ["raised"]
    (found,) = find_excursions(recording)
    assert found.ongoing
    assert recorded_excursions(recording) == [found]


def test_other_limits_are_taken_over_where_it_goes_on(tmp_path: Path):
    """`--limits` beside `--continue`: as if the file had just been saved, and watched from then."""
    path = tmp_path / "rec"
    _run(_first(path, "on-8", parse_limits(LIMITS, "limits.toml")), _health(20))
    later = tmp_path / "later.toml"
    later.write_text(LIMITS.replace("60.0", "35.0").replace("50.0", "30.0"), encoding="utf-8")
    _run(settings_to_resume(path, limits_file=later), _health(20), _health(40), _health(40))
    recording = Recording.open(path)
    assert [taken.text for taken in recording.manifest.limits_taken] == [later.read_text()]
    kinds = [event.kind for event in recording.read_events()]
    assert kinds[kinds.index("continued") + 1] == "limits taken over"
    assert [
        one.value for one in recording.read_events() if one.kind == "raised" and one.limit == "hot"
    ] == [40.0]
    bad = tmp_path / "bad.toml"
    bad.write_text(
        LIMITS.replace("temperature_housing_degC", "temperature_ambient_degC"), encoding="utf-8"
    )
    with pytest.raises(InputError, match=r"bad.toml: limit\[1\] \(hot\).channel"):
        settings_to_resume(path, limits_file=bad)


def test_afterwards_a_pause_with_other_limits_is_no_silence(tmp_path: Path):
    """Live nobody was silent while nobody listened; the recording says the same afterwards."""
    path = tmp_path / "rec"
    _run(_first(path, "on-11", parse_limits(LIMITS, "limits.toml")), _health(70), _health(95))
    time.sleep(0.8)
    later = tmp_path / "later.toml"
    more = LIMITS + '[[limit]]\nname = "dead"\nkind = "silence"\nseverity = "trip"\nafter_s = 9\n'
    later.write_text(more, encoding="utf-8")
    _run(settings_to_resume(path, limits_file=later), _health(65), _health(40))
    recording = Recording.open(path)
    told = [
        (event.kind, event.limit, event.value)
        for event in recording.read_events()
        if event.kind in {"raised", "returned"}
    ]
    # The peak is of before the pause.
    assert told == [("raised", "hot", 70.0), ("returned", "hot", 95.0)]
    assert [(one.limit, one.peak) for one in find_excursions(recording)] == [("hot", 95.0)]
    assert recorded_excursions(recording) == find_excursions(recording)


FROZEN = """
format = 1

[[limit]]
name = "stuck"
kind = "frozen"
severity = "warning"
channel = "temperature_housing_degC"
within = 1.0
load = "current_A"
load_above = 5.0
on_delay_s = 0.5
"""


def test_a_frozen_reading_is_held_against_where_it_froze(tmp_path: Path):
    """Gone on with, it must move from the reading with which the wait began, not from a later."""
    path = tmp_path / "rec"
    limits = parse_limits(FROZEN, "limits.toml")
    # Long before the delay is over the reading is another, and stays so until it is over.
    loaded = [message for _ in range(2) for message in (_current(900), _health(40))]
    later = [message for _ in range(14) for message in (_current(900), _health(41))]
    _run(_first(path, "on-12", limits), *loaded, *later, every_s=0.02)
    (raised,) = [event for event in Recording.open(path).read_events() if event.kind == "raised"]
    assert raised.value == 41.0
    plan = plan_limits(
        limits,
        joint="shoulder",
        hold_ns=Recording.open(path).bench.hold_times_ns_of(Recording.open(path).bench.joints[0]),
    )
    state = resume_limits(plan, resume_point(path), start_ns=raised.time_ns + 10**10)
    assert state.memories["stuck"].anchor == 40.0


def test_what_cannot_be_gone_on_with_is_refused(tmp_path: Path):
    """No recording, another bench, one that is being written: a sentence, nothing changed."""
    path = tmp_path / "rec"
    with pytest.raises(InputError, match="no such recording"):
        settings_to_resume(path)
    _run(_first(path, "on-4", LimitSet()), _health(20))
    other = tmp_path / "other.toml"
    other.write_text(_bench("on-4", 'name = "elbow"').text, encoding="utf-8")
    with pytest.raises(InputError, match="differs from the bench file"):
        settings_to_resume(path, bench=other)
    settings = settings_to_resume(path)
    running = Recorder(settings)
    with pytest.raises(InputError, match="is writing this recording"):
        record(settings, stop=threading.Event())
    running.end()


def test_a_wall_clock_that_was_set_back_in_between(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Time goes on from where the recording was: rows stay in order."""
    path = tmp_path / "rec"
    _run(_first(path, "on-5", LimitSet()), _health(20), _health(21))
    real = time.time_ns
    monkeypatch.setattr(time, "time_ns", lambda: real() - 3_600_000_000_000)
    _run(settings_to_resume(path), _health(30))
    recording = Recording.open(path)
    time_ns, value = recording.read_readings("shoulder", 0, 2**62).channel_series(
        "temperature_housing_degC"
    )
    assert value.tolist() == [20.0, 21.0, 30.0]
    assert (np.diff(time_ns) > 0).all()
    (resumed,) = [event for event in recording.read_events() if event.kind == EventKind.CONTINUED]
    # By the steady clock of this boot; where the system has no id of it, nothing says it.
    assert resumed.duration_s > 0.001 if read_boot_id() else math.isnan(resumed.duration_s)
    assert "set back" in resumed.text
    assert pause_ns(resumed) < to_ns(resumed.duration_s), "on the axis no time went by"
    ended_ns = resumed.time_ns - pause_ns(resumed)
    assert [one.start_ns for one in find_outages(recording)] == [ended_ns]
    assert ended_ns >= time_ns[1], "no outage lies over what was recorded"


def test_a_resume_reads_each_event_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Looked at before the buses are listened to and after; of months, the events take seconds."""
    path = tmp_path / "rec"
    _run(_first(path, "on-10", parse_limits(LIMITS, "limits.toml")), _health(70), _health(20))
    stored = len(Recording.open(path).read_events())
    read: list[Event] = []

    def counted(tables, bench):
        events = events_of(tables, bench)
        read.extend(events)
        return events

    monkeypatch.setattr("logger.store.reading.event_rows.events_of", counted)
    _run(settings_to_resume(path), _health(20))
    assert len(read) == stored > 3
    again = ResumeReader(path)
    point = again.read_point()
    assert again.read_point() is point
    submit_request(path, kind="note", text="while listening")
    read.clear()
    assert again.read_point().sequence == point.sequence + 1
    assert [event.text for event in read] == ["while listening"]
