"""A plan that is followed: its cycles, stages and events, in any chunking and through a restart."""

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger.campaign.cycle_plan import CycleKind
from logger.campaign.plan import parse_plan
from logger.campaign.stage_outlook import stage_outlook
from logger.campaign.stage_progress import STEP_NS, CampaignState, Seen, advance
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.limits.limit import LimitSet
from logger.recording import campaign_rows
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
from replay.campaign.campaign_cycles import read_campaign_cycles
from replay.campaign.read_cycles import read_cycles
from replay.recording import Recording
from tests.logger.campaign.pick_and_place import RATE_HZ, START_NS, S
from tests.support.followed_plan import (
    BENCH,
    END_NS,
    PLAN,
    ROWS,
    Missing,
    Why,
    record_campaign,
    steady_rows,
)


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


STEADY = steady_rows(25)
HOLD_ROWS = 25
"""A value holds for half a second."""


def _expected_missing(missing: list[Missing], start_ns: int, end_ns: int) -> tuple[float, float]:
    """Return how much of a cycle is missing (s), and by how much earlier it may have begun."""
    time_ns = STEADY.time_ns.tolist()
    inside_s = unseen_s = 0.0
    for one in missing:
        before_ns, behind_ns = time_ns[one.row - 1], time_ns[one.row + one.count]
        gone_ns = behind_ns - before_ns
        hidden_ns = gone_ns
        if one.why is Why.LATE:
            hidden_ns = max(gone_ns - HOLD_ROWS * (S // RATE_HZ), 0)
        if start_ns <= before_ns and behind_ns <= end_ns:
            inside_s += hidden_ns / S
        if behind_ns == start_ns and hidden_ns:
            unseen_s += gone_ns / S
    return inside_s, unseen_s


@given(
    cuts=st.lists(st.integers(1, len(STEADY) - 1), max_size=6),
    whys=st.lists(st.sampled_from(list(Why)), min_size=1, max_size=3),
    places=st.tuples(st.integers(1100, 1700), st.integers(60, 900)),
    counts=st.lists(st.integers(0, HOLD_ROWS + 15), min_size=3, max_size=3),
)
@example(cuts=[], whys=[Why.KILLED], places=(1250, 300), counts=[HOLD_ROWS - 2, 0, 0])
@example(cuts=[], whys=[Why.ENDED, Why.LATE], places=(1250, 900), counts=[0, HOLD_ROWS - 1, 0])
# A cycle begins in the break; two breaks in one cycle, of which the second kills the recorder.
@example(cuts=[1290], whys=[Why.STANDSTILL], places=(1270, 300), counts=[20, 0, 0])
@example(cuts=[], whys=[Why.LOST, Why.KILLED], places=(1400, 60), counts=[3, 12, 0])
@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_what_a_break_hides_of_a_cycle_stands_in_its_row(
    tmp_path_factory: pytest.TempPathFactory,
    cuts: list[int],
    whys: list[Why],
    places: tuple[int, int],
    counts: list[int],
):
    """However short the break is; a reading that is late hides nothing. Live as afterwards."""
    first, apart = places
    missing = [
        Missing(row=first + place * apart, count=count, why=why)
        for place, (why, count) in enumerate(zip(whys, counts, strict=False))
    ]
    recording = record_campaign(
        tmp_path_factory.mktemp("breaks") / "r", cuts, missing=missing, rows=STEADY
    )
    _assert_as_in_batch(recording)
    found = read_cycles(recording, "a")
    assert len(found) >= 20
    for start_ns, end_ns, kind, missing_s in zip(
        found.start_ns.tolist(),
        found.end_ns.tolist(),
        found.kinds,
        found.figures["missing_s"].tolist(),
        strict=True,
    ):
        inside_s, unseen_s = _expected_missing(missing, start_ns, end_ns)
        assert missing_s == pytest.approx(inside_s + unseen_s, abs=1e-6)
        assert (missing_s == 0.0) == (inside_s + unseen_s == 0.0)
        whole_s = (end_ns - start_ns) / S + unseen_s
        if abs(missing_s - 0.1 * whole_s) > 1e-6:
            assert (kind is CycleKind.GAP) == (missing_s > 0.1 * whole_s)


def test_cycles_of_an_older_recorder_read_and_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """It did not say what was missing: null, where the newer recorder says 0."""
    rows_of, killed = campaign_rows._cycle_rows, 1640

    def older_rows(*given: Any) -> pa.RecordBatch:
        rows = rows_of(*given)
        is_older = rows["time"][-1].value < STEADY.time_ns[killed]
        return rows.drop_columns(["missing_s"]) if is_older else rows

    monkeypatch.setattr(campaign_rows, "_cycle_rows", older_rows)
    cuts = list(range(1000, 2400, 100))
    recording = record_campaign(tmp_path / "r", cuts, kills=[killed], rows=STEADY)
    stream = cycles_stream("a")
    table = recording.read_rows(stream, start_ns=0, end_ns=END_NS)
    told = table["missing_s"].to_pylist()
    assert told[0] is None
    assert told[-1] == 0.0
    assert "missing_s" not in pq.read_schema(sorted((tmp_path / "r").glob("cycles/*/*"))[0]).names
    assert table["cycle"].to_pylist() == list(range(1, len(told) + 1))
    cycles = read_campaign_cycles([recording], "a", None, {"cycle_time_s"})
    assert len(cycles.table) == len(told)


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
