"""A plan that is followed: its cycles, stages and events, in any chunking and through a restart."""

import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger.campaign.plan import parse_plan
from logger.campaign.stage_outlook import stage_outlook
from logger.campaign.stage_progress import STEP_NS, CampaignState, Seen, advance
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.limits.limit import LimitSet
from logger.recording.campaign_resume import recorded_campaign
from logger.recording.campaign_rows import CampaignRows
from logger.recording.campaign_words import change_words
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.recording.record_settings import RecordSettings, settings_to_resume
from logger.recording.recorder import record
from logger.store.layout.events import Event
from logger.store.layout.files import cycles_stream
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.tools.cut import copy_span
from logger.store.writing.live_writer import RecordingWriter
from replay.campaign.read_cycles import read_cycles
from replay.recording import Recording
from tests.logger.campaign.pick_and_place import START_NS, S
from tests.support.followed_plan import BENCH, END_NS, PLAN, ROWS, record_campaign


def _told(recording: Recording) -> list[tuple[str, str, float, int]]:
    kinds = {
        *(EventKind.STAGE_BEGUN, EventKind.STAGE_ENDED, EventKind.PLAN_DONE),
        *(EventKind.CYCLES_MISSING, EventKind.CYCLES_AGAIN, EventKind.DAY_OVER),
    }
    return [
        (str(event.kind), event.stage, event.value, event.time_ns - START_NS)
        for event in recording.read_events()
        if event.kind in kinds
    ]


def _assert_as_in_batch(recording: Recording) -> None:
    batch = read_cycles(recording, "a")
    stream = cycles_stream("a")
    table = recording.read_rows(stream, start_ns=0, end_ns=END_NS + 1)
    assert table["time"].cast("int64").to_pylist() == batch.end_ns.tolist()
    assert table["start"].cast("int64").to_pylist() == batch.start_ns.tolist()
    assert table["kind"].to_pylist() == [str(kind) for kind in batch.kinds]
    assert table["cycle"].to_pylist() == list(range(1, len(batch) + 1))
    for name, values in batch.figures.items():
        stored = table[name].fill_null(np.nan).to_numpy()
        assert np.allclose(stored, values, rtol=1e-12, atol=1e-12, equal_nan=True), name


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give the recording of one batch."""
    return record_campaign(tmp_path_factory.mktemp("campaign") / "whole", [])


def test_the_stages_and_what_failed_to_come_are_events(whole: Recording):
    """Ten cycles, a minute, then a note that nobody writes; the joint stops for eight minutes."""
    told = _told(whole)
    assert [one[:2] for one in told] == [
        ("stage begun", "run in"),
        ("stage ended", "run in"),
        ("stage begun", "load"),
        ("stage ended", "load"),
        ("stage begun", "until somebody says"),
        ("cycles missing", "until somebody says"),
        ("cycles again", "until somebody says"),
    ]
    first = whole.read_rows(cycles_stream("a"), start_ns=0, end_ns=END_NS)
    tenth_ns = first["time"].cast("int64")[9].as_py() - START_NS
    assert told[1][2:] == (10.0, tenth_ns)
    assert told[3][2:] == (15.0, tenth_ns + 60 * S)
    assert told[5][3] == pytest.approx(41.6 * 4 * S + 300 * S, abs=4 * S)
    stages = first["stage"].to_pylist()
    assert stages == [*["run in"] * 10, *["load"] * 15, *["until somebody says"] * (59 - 25)]
    newest = whole.newest_row("progress")
    assert (newest["stage"], newest["cycles"], newest["stage_cycles"]) == (
        *("until somebody says", 59),
        59 - 25,
    )
    _assert_as_in_batch(whole)


def test_a_bus_that_falls_silent_is_told_after_five_minutes(tmp_path: Path):
    """By the recorder's clock alone: no reading comes any more."""
    plan = parse_plan(PLAN.replace("cycles = 10\n", "cycles = 100\n"), "plan.toml")
    manifest = new_manifest(BENCH, name="made", started_ns=START_NS, plan=PLAN)
    writer = RecordingWriter(tmp_path / "silent", manifest, BENCH, now_s=0.0)
    told: list[Event] = []
    events = EventLog(BENCH, writer, on_event=told.append)
    campaign = CampaignRows(plan, BENCH, start_ns=START_NS)
    pipeline = Pipeline(BENCH, LimitSet(), writer, events, start_ns=START_NS, campaign=campaign)
    pipeline.process_readings(ROWS.select_rows(slice(8000)), now_ns=START_NS + 80 * S)
    newest_ns = int(ROWS.time_ns[7999])
    for seconds in range(0, 330, 10):
        pipeline.record_seconds(newest_ns + seconds * S)
    writer.close(ended_ns=newest_ns + 330 * S, cause="test")
    (missing,) = [one for one in told if one.kind == EventKind.CYCLES_MISSING]
    assert missing.text.startswith("a: no cycle for 5 min in stage 'run in', ")
    assert 290 * S < missing.time_ns - newest_ns <= 300 * S


@given(
    cuts=st.lists(st.integers(1, len(ROWS) - 1), max_size=12),
    restarts=st.lists(st.integers(1200, len(ROWS) - 1), max_size=2, unique=True),
    kills=st.lists(st.integers(1200, len(ROWS) - 1), max_size=2, unique=True),
)
@example(cuts=[], restarts=[33226], kills=[])  # the recorder ends just after turns were lost
@example(
    cuts=[], restarts=[], kills=[2130, 33226]
)  # killed within a cycle, and where turns were lost
@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_batches_of_any_size_and_restarts_give_the_same(
    tmp_path_factory: pytest.TempPathFactory,
    whole: Recording,
    cuts: list[int],
    restarts: list[int],
    kills: list[int],
):
    """The table is that of `dutytrace cycles` afterwards, and the events are the same."""
    path = tmp_path_factory.mktemp("campaign") / "parts"
    recording = record_campaign(path, cuts, restarts=restarts, kills=kills)
    _assert_as_in_batch(recording)
    assert _told(recording) == _told(whole)


def test_where_it_goes_on_is_read_back(whole: Recording):
    """The stage, the count, the rule: nothing but what is recorded is needed."""
    start = recorded_campaign(RecordingReader(whole.path))
    assert start is not None
    assert start.state is not None
    assert (start.state.stage, start.state.cycles, start.state.cycles_before) == (2, 59, 25)
    assert start.finder.number == 59
    assert start.finder.rule is not None


def test_a_cut_has_the_cycles_of_its_span_and_the_stage_it_begins_in(
    whole: Recording, tmp_path: Path
):
    """Numbers, stages and the plan are those of the original."""
    begin_ns, end_ns = START_NS + 50 * S, START_NS + 120 * S
    cut = copy_span(whole.path, out=tmp_path / "cut", start_ns=begin_ns, end_ns=end_ns)
    recording = Recording.open(cut.path)
    stream = cycles_stream("a")
    rows = recording.read_rows(stream, start_ns=0, end_ns=END_NS)
    assert rows.equals(whole.read_rows(stream, start_ns=begin_ns, end_ns=end_ns))
    assert rows["cycle"][0].as_py() > 1
    assert [one[:2] for one in _told(recording)][:2] == [
        ("stage begun", "load"),
        ("stage ended", "load"),
    ]
    assert recording.manifest.plan == PLAN


def test_pandas_reads_the_cycles_as_they_lie(whole: Recording):
    """One table, times in UTC, figures with their units in their names."""
    pandas = pytest.importorskip("pandas")
    frame = pandas.read_parquet(whole.path / "cycles", columns=["time", "start", "rms_torque_Nm"])
    assert len(frame) == 59
    assert (frame["time"] > frame["start"]).all()


def test_a_recording_goes_on_with_its_own_plan(whole: Recording, tmp_path: Path):
    """Another plan is refused, in words; the same one may be named."""
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    assert settings_to_resume(whole.path, plan_file=plan).plan is not None
    plan.write_text(PLAN.replace("cycles = 10", "cycles = 11"), encoding="utf-8")
    with pytest.raises(InputError, match="differs from the plan"):
        settings_to_resume(whole.path, plan_file=plan)


def test_stages_end_by_temperature_as_the_plan_says():
    """Below a level, near the surroundings for a time, at rest for an hour; its end is foretold."""
    plan = parse_plan(
        'format = 1\nname = "n"\n'
        '[[stage]]\nname = "cool"\nuntil = { below_degC = 40 }\n'
        '[[stage]]\nname = "soak"\nuntil = { ambient_within_K = 2, for_s = 600 }\n'
        '[[stage]]\nname = "rest"\nuntil = { equilibrium_K_per_h = 1 }\n',
        "plan.toml",
    )
    state, ends, foretold = CampaignState(began_ns=START_NS), {}, None
    for step in range(1, 8 * 720):
        mark_ns = START_NS + step * STEP_NS
        housing = 20.0 + 60.0 * np.exp(-step * 5.0 / 3600.0)
        seen = Seen(temperatures_degC={"temperature_housing_degC": housing}, ambient_degC=20.0)
        changes, state = advance(plan, state, mark_ns, seen)
        ends |= {
            one.stage: (one.time_ns - START_NS) / S
            for one in changes
            if one.kind == EventKind.STAGE_ENDED
        }
        if step == 300:
            foretold = stage_outlook(plan, state, mark_ns)
    cooled_s = 3600.0 * np.log(3.0)
    assert ends["cool"] == pytest.approx(cooled_s, abs=10.0)
    assert ends["soak"] == pytest.approx(3600.0 * np.log(30.0) + 600.0, abs=10.0)
    # An hour begins with the stage; by then less than a kelvin is left to fall.
    assert ends["rest"] == pytest.approx(ends["soak"] + 3600.0, abs=120.0)
    assert state.is_done(plan)
    assert foretold is not None
    assert 0.0 < foretold.share < 1.0
    assert (foretold.expected_ns - START_NS) / S == pytest.approx(cooled_s, rel=0.02)


def test_each_day_is_told_with_its_hottest():
    """The hottest of a day is that of the day."""
    plan = parse_plan(
        'format = 1\nname = "n"\n[[stage]]\nname = "s"\nduration_s = 1e6\n', "plan.toml"
    )
    state, days = CampaignState(began_ns=START_NS), []
    for hour in range(1, 73):
        mark_ns = START_NS + hour * 3600 * S
        hottest = 68.0 if hour == 30 else 50.0
        seen = Seen(
            temperatures_degC={"temperature_housing_degC": hottest}, cycle_ends_ns=(mark_ns,)
        )
        changes, state = advance(plan, state, mark_ns, seen)
        days += [change_words(one, plan, "Arm") for one in changes if one.day]
    assert days == [
        "Arm: day 1, cycle 24, hottest 50 degC",
        "Arm: day 2, cycle 48, hottest 68 degC",
        "Arm: day 3, cycle 72, hottest 50 degC",
    ]


def test_a_recorder_follows_its_plan_and_goes_on_with_it(tmp_path: Path):
    """From the bus to the events; resumed it is in the stage that was on."""
    text = (
        'format = 1\nname = "n"\n[[stage]]\nname = "short"\nduration_s = 0.2\n'
        '[[stage]]\nname = "then"\nuntil = { note = "done" }\n'
    )
    settings = RecordSettings(
        bench=BENCH,
        where="bench.toml",
        limits=LimitSet(),
        out=tmp_path / "rec",
        name="n",
        duration_s=0.5,
        plan=parse_plan(text, "plan.toml"),
        plan_text=text,
    )
    record(settings, stop=threading.Event())
    told = [one[:2] for one in _told(Recording.open(tmp_path / "rec"))]
    begun = [("stage begun", "short"), ("stage ended", "short"), ("stage begun", "then")]
    assert told == begun
    again = settings_to_resume(tmp_path / "rec", note="done", duration_s=0.3)
    record(again, stop=threading.Event())
    told = [one[:2] for one in _told(Recording.open(tmp_path / "rec"))]
    assert told == [*begun, ("stage ended", "then"), ("plan done", "")]
