"""What was raised, by the events alone: recordings of before, cuts, lost events, other limits."""

import shutil
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

import replay.excursions.applied_limits
from logger.errors import InputError
from logger.limits.limit import LimitSet, parse_limits
from logger.store.parts.part_writer import write_part
from logger.store.repair.post_request import submit_request
from logger.store.tools.cut import copy_span
from replay.excursions.applied_limits import hypothetical_limits, recorded_limits
from replay.excursions.over_rows import find_excursions
from replay.excursions.recorded import (
    complete_excursions,
    excursions_from_alerts,
    recorded_excursions,
)
from replay.recording import Recording
from replay.statistics import rms_before, span_statistics
from tests.support.parts import forget_ids, parts_of

S = 1_000_000_000
WARM = """format = 1
[[limit]]
name = "early"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = {above}
"""


def _without_onsets(recording: Recording, path: Path) -> Recording:
    """Return a copy as recorders left it that kept no onset, nor whose a part is."""
    shutil.copytree(recording.path, path)
    forget_ids(path)
    for part in parts_of(path, "events"):
        events = pq.read_table(part.path).drop_columns(["bus", "frame", "request", "anchor"])
        is_raised = pc.equal(pc.cast(events["kind"], pa.string()), "raised")
        place = events.schema.get_field_index("duration_s")
        lasted = pc.if_else(is_raised, pa.scalar(None, pa.float64()), events["duration_s"])
        events = events.set_column(place, events.schema.field(place), lasted)
        write_part(part.path.parent, events, first_row=part.first_row, end_row=part.end_row)
    return Recording.open(path)


def test_a_recording_of_before_tells_the_same(tmp_path: Path):
    """Its recorder kept no onset: that is told to a reading, all else to the last digit."""
    demo = Recording.open(Path(__file__).parents[3] / "recordings" / "demo-overheat")
    before = _without_onsets(demo, tmp_path / "before")
    assert all(alert.onset_ns is None for alert in before.read_alerts())
    found, rows = recorded_excursions(before), find_excursions(before)
    assert found
    assert [replace(one, onset_ns=0) for one in found] == [replace(one, onset_ns=0) for one in rows]
    for one, row in zip(found, rows, strict=True):
        assert 0 <= one.onset_ns - row.onset_ns < S


def test_a_list_reads_no_row(overheat: Recording, monkeypatch: pytest.MonkeyPatch):
    """However many there are: what led up to them is asked for those that are shown."""

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError

    watch = recorded_limits(overheat)
    with monkeypatch.context() as patched:
        for door in ("read_readings", "pyramid_buckets", "tiling_buckets", "read_buckets"):
            patched.setattr(Recording, door, refuse)
        listed = excursions_from_alerts(overheat, watch)
    assert complete_excursions(overheat, watch, listed[:3]) == recorded_excursions(overheat)[:3]


def test_a_cut_tells_what_stood_before_it(tmp_path: Path, overheat: Recording):
    """An alert that stands where it begins is told as raised when it was; one that was over not."""
    hot = next(one for one in find_excursions(overheat) if one.limit == "housing-warm")
    begin_ns = hot.start_ns + 10 * S
    made = copy_span(
        overheat.path, out=tmp_path / "cut", start_ns=begin_ns, end_ns=begin_ns + 60 * S
    )
    cut = Recording.open(made.path)
    found = recorded_excursions(cut)
    assert [(one.limit, one.start_ns) for one in found if one.start_ns < begin_ns] == [
        (one.limit, one.start_ns)
        for one in find_excursions(overheat)
        if one.start_ns < begin_ns < one.start_ns + one.duration_s * S
    ]
    assert any(one.limit == "housing-warm" for one in found)
    assert all(one.start_ns + one.duration_s * S > cut.start_ns for one in found)


def test_lost_events_are_made_good_by_the_rows(tmp_path: Path, overheat: Recording):
    """Where the numbers of events do not follow each other, the rows are evaluated."""
    path = tmp_path / "rec"
    shutil.copytree(overheat.path, path)
    for part in (path / "events").iterdir():
        part.unlink()
    broken = Recording.open(path)
    assert broken.read_alerts() == ()
    assert recorded_excursions(broken) == find_excursions(overheat)
    submit_request(path, kind="note", text="what happened here?")
    assert [one.start_ns for one in recorded_excursions(Recording.open(path))] == [
        one.start_ns for one in find_excursions(overheat)
    ]


def test_a_watch_is_that_of_the_present_events(tmp_path: Path, overheat: Recording):
    """Kept while nothing came, made anew when something did."""
    path = tmp_path / "rec"
    shutil.copytree(overheat.path, path)
    recording = Recording.open(path)
    first = recorded_limits(recording)
    assert recorded_limits(recording) is first
    submit_request(path, kind="acknowledge", alert=1, who="eva")
    recording.refresh()
    assert recorded_limits(recording).alerts[0].acknowledged_by == "eva"


def test_other_limits_are_worked_out_once(overheat: Recording, monkeypatch: pytest.MonkeyPatch):
    """For each text and state of a recording; only a few are kept."""
    asked = []
    whole = replay.excursions.applied_limits._evaluate_hypothetical

    def counted(
        recording: Recording, limits: LimitSet
    ) -> replay.excursions.applied_limits.AppliedLimits:
        asked.append(limits.text)
        return whole(recording, limits)

    monkeypatch.setattr(replay.excursions.applied_limits, "_evaluate_hypothetical", counted)
    many = [parse_limits(WARM.format(above=40 + place / 8), "x") for place in range(9)]
    watches = [hypothetical_limits(overheat, limits) for limits in many]
    assert hypothetical_limits(overheat, many[-1]) is watches[-1]
    assert len(asked) == 9
    assert hypothetical_limits(overheat, many[0]) is not watches[0]
    assert (
        len(replay.excursions.applied_limits._hypothetical_cache)
        == replay.excursions.applied_limits.MAX_HYPOTHETICAL_CACHED
    )
    assert watches[0].limit_sets == ((overheat.start_ns, many[0]),)
    assert {one.limit for one in watches[0].alerts} == {"early"}


def test_it_is_worked_out_anew_where_rows_came(
    tmp_path: Path, overheat: Recording, monkeypatch: pytest.MonkeyPatch
):
    """A note changes nothing; of one that is still written once a minute is enough."""
    path = tmp_path / "rec"
    shutil.copytree(overheat.path, path)
    recording = Recording.open(path)
    limits = parse_limits(WARM.format(above=38), "x")
    first = hypothetical_limits(recording, limits)
    submit_request(path, kind="note", text="looked at it")
    recording.refresh()
    assert hypothetical_limits(recording, limits) is first
    with monkeypatch.context() as patched:
        patched.setattr(Recording, "reading_count", lambda *_: 7)
        assert hypothetical_limits(recording, limits) is not first
    monkeypatch.setattr(Recording, "live", True)
    begun = [hypothetical_limits(recording, limits)]
    for later_ns in (overheat.end_ns // (60 * S) * 60 * S + at for at in (0, 59 * S, 60 * S)):
        monkeypatch.setattr(Recording, "end_ns", later_ns)
        begun.append(hypothetical_limits(recording, limits))
    assert begun[0] is begun[1]
    assert begun[1] is begun[2]
    assert begun[2] is not begun[3]


def test_a_fault_is_not_kept(overheat: Recording, monkeypatch: pytest.MonkeyPatch):
    """Who asks again asks anew."""
    limits = parse_limits(WARM.format(above=39), "x")

    def broken(*_: object) -> None:
        raise InputError("no")

    with monkeypatch.context() as patched:
        patched.setattr(replay.excursions.applied_limits, "evaluate_limits", broken)
        with pytest.raises(InputError):
            hypothetical_limits(overheat, limits)
    assert hypothetical_limits(overheat, limits).alerts


def test_the_load_before_many_instants(overheat: Recording):
    """The same as asked one by one, also where nearly nothing lies before."""
    end_ns = overheat.end_ns
    starts = [overheat.start_ns + at for at in (-S, 0, 1, S // 3, S, 90 * S, 90 * S + 1, 700 * S)]
    starts += [end_ns - 1, end_ns]
    spans = (1, 60, 300, 900)
    table = rms_before(overheat, "elbow", "torque_Nm", starts, spans_s=spans)
    for row, at_ns in zip(table.tolist(), starts, strict=True):
        for told, span_s in zip(row, spans, strict=True):
            whole_ns = at_ns // S * S
            begin_ns = max(whole_ns - span_s * S, overheat.start_ns)
            alone = span_statistics(overheat, "elbow", "torque_Nm", begin_ns, whole_ns).rms
            assert told == pytest.approx(alone, rel=1e-9, nan_ok=True)
