"""Several recordings as one campaign: what `dutytrace campaign` says, in words and as JSON."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import replay.campaign.campaign as campaign_module
from logger.campaign.cycle_plan import CycleKind
from logger.errors import InputError
from logger.store.layout.cycle_schema import cycles_schema
from logger.store.layout.files import cycles_stream
from logger.store.layout.manifest import new_manifest
from logger.store.layout.schema import table_of_rows
from logger.store.writing.bulk_writer import BulkWriter
from replay.campaign import cycle_table
from replay.campaign.campaign import Campaign, read_campaign, thinned
from replay.campaign.campaign_cycles import CampaignCycles, read_campaign_cycles
from replay.campaign.change_scan import ChangeShape
from replay.campaign.cycle_table import CycleTable, kind_codes
from replay.campaign.figure_blocks import FigureBlocks
from replay.campaign.figure_trend import FigureTrend
from replay.recording import Recording
from tests.logger.campaign.pick_and_place import START_NS, S
from tests.support.command import assert_refused, run
from tests.support.followed_plan import BENCH, record_campaign

PLAN = """
format = 1
name = "Gear endurance"
[[stage]]
name = "load"
cycles = 100_000
watch = ["rms_torque_Nm", "cycle_time_s"]
"""
CYCLE_S = 120
DAYS = 12
AWAY_H = (150, 170)
STEP_H = 216.0


def _write(path: Path, first_h: float, last_h: float, *, first_cycle: int = 1) -> None:
    """Write cycles of two minutes, with a torque that grows by 8 % at an instant."""
    begin_ns = START_NS + round(first_h * 3600) * S
    manifest = new_manifest(BENCH, name=path.name, started_ns=begin_ns, plan=PLAN)
    writer = BulkWriter(path, manifest, BENCH)
    schema = cycles_schema(BENCH.channels_of(BENCH.joints[0]), has_winding=False)
    dice = np.random.default_rng(round(first_h))
    rows: list[dict[str, object]] = []
    for number in range(round((last_h - first_h) * 3600 / CYCLE_S)):
        start_ns = begin_ns + number * CYCLE_S * S
        at_h = (start_ns - START_NS) / S / 3600.0
        torque = 5.0 * (1.0 + 0.01 * dice.normal()) * (1.08 if at_h >= STEP_H else 1.0)
        row: dict[str, object] = dict.fromkeys(schema.names)
        row |= {
            "time": start_ns + CYCLE_S * S,
            "start": start_ns,
            "cycle": first_cycle + number,
            "kind": "whole",
            "stage": "load",
            "rms_torque_Nm": torque,
            "cycle_time_s": 120.0,
            "peak_temperature_degC": 50.0 + math.sin(at_h / 4.0),
        }
        rows.append(row)
    writer.append_rows(cycles_stream("a"), table_of_rows(rows, schema))
    writer.close(ended_ns=START_NS + round(last_h * 3600) * S, cause="made")


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Give two recordings, the second begun after a stop of twenty hours."""
    folder = tmp_path_factory.mktemp("campaign")
    paths = [folder / "first", folder / "second"]
    _write(paths[0], 0.0, AWAY_H[0])
    _write(paths[1], AWAY_H[1], DAYS * 24)
    return paths


@pytest.fixture(scope="module")
def campaign(parts: list[Path]) -> Campaign:
    """Give both as one."""
    return read_campaign([Recording.open(one) for one in reversed(parts)], "a")


def test_several_recordings_are_one_with_pauses_folded(campaign: Campaign):
    """Their order does not matter; the stop is no running time."""
    hours = DAYS * 24 - (AWAY_H[1] - AWAY_H[0])
    assert campaign.cycles == hours * 30
    assert campaign.hours == pytest.approx(hours)
    during = np.array([START_NS + hour * 3600 * S for hour in (AWAY_H[0], 160, AWAY_H[1])])
    assert np.ptp(campaign.running.at(during)) == pytest.approx(0.0, abs=1e-6)
    assert [day.cycles for day in campaign.days][:3] == [720, 720, 720]
    assert sum(day.cycles for day in campaign.days) == campaign.cycles
    away_ns = tuple(START_NS + hour * 3600 * S for hour in AWAY_H)
    assert campaign.running.pauses_ns == [away_ns]
    assert len(campaign.running.at_ns) == 4, "hours between pauses are not kept cycle by cycle"


def test_the_newest_day_counts_from_the_end(parts: list[Path], tmp_path: Path):
    """Half a day and half of the one before; what was earlier is not of it."""
    _write(tmp_path / "until then", AWAY_H[1], AWAY_H[1] + 30.0)
    early = [Recording.open(parts[0]), Recording.open(tmp_path / "until then")]
    campaign = read_campaign(early, "a")
    assert campaign.days[-1].cycles == (AWAY_H[1] + 30 - 192) * 30
    assert campaign.newest_day.cycles == campaign.cycles_since_yesterday == 720
    assert campaign.newest_day.start_ns == campaign.end_ns - 24 * 3600 * S


def test_a_step_is_dated_across_recordings(campaign: Campaign):
    """By its figure alone; one that does not move is not judged."""
    torque, length = campaign.figures
    assert (torque.stage, torque.unit, torque.trend.name) == ("load", "N.m", "rms_torque_Nm")
    (change,) = torque.trend.changes
    assert change.shape is ChangeShape.STEP
    assert change.date_h == pytest.approx(STEP_H, abs=2.0)
    assert change.size == pytest.approx(0.08, abs=0.01)
    assert not length.trend.is_changed
    assert campaign.new_changes == ()


def test_what_changed_since_yesterday(parts: list[Path], tmp_path: Path):
    """The step is news as soon as a day of it is there, and not the day after."""
    _write(tmp_path / "until then", AWAY_H[1], STEP_H + 36.0)
    early = [Recording.open(parts[0]), Recording.open(tmp_path / "until then")]
    campaign = read_campaign(early, "a")
    (new,) = campaign.new_changes
    assert (new.stage, new.name) == ("load", "rms_torque_Nm")
    assert campaign.cycles_since_yesterday == 720


def test_the_command_says_the_same(parts: list[Path], campaign: Campaign):
    """In words and as JSON."""
    said = run("campaign", *map(str, parts))
    assert said.returncode == 0, said.stderr
    assert f"day 12, cycle {campaign.cycles:,}" in said.stdout
    assert "rms_torque_Nm changed by +8" in said.stdout
    answer = json.loads(run("campaign", *map(str, parts), "--json").stdout)
    assert answer["format"] == 1
    assert answer["cycles"] == campaign.cycles
    assert [one["figure"] for one in answer["figures"]] == ["rms_torque_Nm", "cycle_time_s"]
    assert answer["figures"][0]["changes"][0]["size"] == pytest.approx(0.08, abs=0.01)
    assert len(answer["days"]) == DAYS


def test_recordings_that_are_no_campaign_are_refused(parts: list[Path], tmp_path: Path):
    """One within the other; another plan; nothing that returns."""
    _write(tmp_path / "within", 100.0, 120.0)
    refused = run("campaign", str(parts[0]), str(tmp_path / "within"))
    assert_refused(refused, "expected recordings that follow each other")
    followed = record_campaign(tmp_path / "another plan", [])
    with pytest.raises(InputError, match="found another plan"):
        read_campaign([Recording.open(parts[0]), followed], "a")


def test_stages_and_days_of_a_recorder(tmp_path: Path):
    """The stages that it told, and the one that is on."""
    campaign = read_campaign([record_campaign(tmp_path / "followed", [])], "a")
    told = [(one.stage, one.cycles, one.end_ns is None) for one in campaign.stages]
    assert told == [("run in", 10, False), ("load", 15, False), ("until somebody says", 34, True)]
    assert (campaign.days[0].cycles, campaign.days[0].broken) == (59, 1)


def test_a_cycle_knows_its_stage_whatever_its_recording_begins_with(
    parts: list[Path], tmp_path: Path
):
    """The second recording begins with the other's second stage; only figures asked for come."""
    opened = [record_campaign(tmp_path / "followed", []), Recording.open(parts[0])]
    cycles = read_campaign_cycles(opened, "a", None, {"cycle_time_s"})
    assert list(cycles.table.figures) == ["cycle_time_s"]
    told = [int(cycles.is_within(name).sum()) for name in ("run in", "load", "no such")]
    assert told == [10, 15 + AWAY_H[0] * 30, 0]


def test_only_what_changed_is_looked_at_again(parts: list[Path], monkeypatch: pytest.MonkeyPatch):
    """What a day ago had not changed yet is asked of figures that have changed since."""
    looks = []
    judged = campaign_module.figure_trends

    def counted(blocks: FigureBlocks, *, watched: int) -> tuple[FigureTrend, ...]:
        looks.append((blocks.names, watched))
        return judged(blocks, watched=watched)

    monkeypatch.setattr(campaign_module, "figure_trends", counted)
    read_campaign([Recording.open(one) for one in parts], "a")
    assert looks == [(("rms_torque_Nm", "cycle_time_s"), 2), (("rms_torque_Nm",), 2)]


def test_running_hours_of_cycles_that_are_pauses_themselves():
    """A long cycle counts as a pause; where two meet there is one knot and no empty pause."""
    ends_s = np.array([10, 20, 5020, 10020, 10030], np.int64)
    starts_s = np.array([0, 10, 20, 5020, 10020], np.int64)
    table = CycleTable(
        joint="a",
        start_ns=starts_s * S,
        end_ns=ends_s * S,
        kind_codes=kind_codes([CycleKind.WHOLE] * 5),
        figures={},
    )
    cycles = CampaignCycles(table=table, stages=("",), stage_codes=np.zeros(5, np.uint16))
    running = cycles.running_hours()
    assert running.pauses_ns == [(20 * S, 5020 * S), (5020 * S, 10020 * S)]
    assert running.hours[-1] * 3600 == pytest.approx(30.0)


def _running_by_sorting(start_ns: np.ndarray, end_ns: np.ndarray, longest_ns: float):
    """Return knots and hours from all beginnings and ends, sorted."""
    knots = np.unique(np.concatenate([start_ns, end_ns]))
    is_pause = np.diff(knots) > longest_ns
    is_end = np.concatenate([[True], is_pause]) | np.concatenate([is_pause, [True]])
    ran_ns = np.where(is_pause[is_end[:-1]], 0, np.diff(knots[is_end]))
    return knots[is_end].tolist(), (np.append(0, ran_ns.cumsum()) / 3.6e12).tolist()


@settings(max_examples=50, deadline=None)
@given(
    lengths_s=st.lists(st.sampled_from([0, 1, 5, 599, 601, 4000]), min_size=1, max_size=40),
    gaps_s=st.lists(st.sampled_from([0, 0, 0, 2, 599, 601, 90_000]), min_size=40, max_size=40),
)
def test_pauses_are_those_between_all_beginnings_and_ends(lengths_s: list[int], gaps_s: list[int]):
    """Slice by slice, across their borders: of cycles that follow each other with and without."""
    starts, ends, at = [], [], 0
    for length, gap in zip(lengths_s, gaps_s, strict=False):
        starts.append(at + gap)
        at += gap + length
        ends.append(at)
    start_ns, end_ns = np.array(starts) * S, np.array(ends) * S
    table = CycleTable(
        joint="a",
        start_ns=start_ns,
        end_ns=end_ns,
        kind_codes=kind_codes([CycleKind.WHOLE] * len(starts)),
        figures={},
    )
    cycles = CampaignCycles(table=table, stages=("",), stage_codes=np.zeros(len(starts), np.uint16))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cycle_table, "_SLICE", 3)
        running = cycles.running_hours()
    longest_ns = max(600.0, 3 * cycles.usual_s) * S
    at_ns, hours = _running_by_sorting(start_ns, end_ns, longest_ns)
    assert running.at_ns.tolist() == at_ns
    assert running.hours.tolist() == pytest.approx(hours)


def test_a_series_is_thinned_without_losing_a_peak():
    """Lowest, mean and highest of each bin."""
    values = np.zeros(1000)
    values[537] = 9.0
    at, low, mean, high = thinned(np.arange(1000.0), values, 50)
    assert len(at) == len(low) == 50
    assert high.max() == 9.0
    assert mean.sum() * 20 == pytest.approx(9.0)
