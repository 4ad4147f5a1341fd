"""Gaps, and readings at a level: what is raised and what is not judged, live and afterwards."""

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from logger.importing.import_frames import import_frames
from logger.importing.redecode import redecode_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from replay.evaluation.full_evaluation import evaluate_rows
from replay.evaluation.tasks import evaluate_limits
from replay.excursions.applied_limits import hypothetical_limits
from replay.excursions.not_judged import find_not_judged, recorded_not_judged
from replay.excursions.over_rows import evaluate_joint, evaluate_joints
from replay.recording import Recording
from tests.support.command import run

S = 1_000_000_000
START_NS = 1_795_000_000 * S
LENGTH_S = 400
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "s"
identifier = 1
length = 4
period_s = 0.1
[[frame.value]]
channel = "torque_Nm"
byte = 0
bits = 16
signed = true
unit = "per_mille"
[[frame.value]]
channel = "voltage_V"
byte = 2
bits = 16
scale = 0.1
[[frame]]
name = "t"
identifier = 2
length = 2
period_s = 0.1
[[frame.value]]
channel = "temperature_housing_degC"
byte = 0
bits = 16
scale = 0.1
"""
BENCH = """
[bus]
interface = "virtual"
[[joint]]
name = "a"
layout = "l"
rated = { torque = 18.0 }
"""
LIMITS = """
format = 1
[[limit]]
name = "heats"
kind = "rate"
severity = "warning"
channel = "temperature_housing_degC"
rise_per_min = 40.0
over_s = 30.0
[[limit]]
name = "low"
kind = "level"
severity = "warning"
channel = "voltage_V"
below = 42.3
[[limit]]
name = "loaded"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above_rated = 0.9
[[limit]]
name = "long-loaded"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above_rated = 0.9
on_delay_s = 30.0
off_delay_s = 5.0
"""


def frames() -> list[FrameBatch]:
    """Return a joint at 10 Hz with a gap of 0.45 s every 20 s.

    It heats by 46 K/min for 150 s and cools; the supply is at 42.3 V just from 100 to 110 s, the
    torque at 900 per mille just from 100 to 180 s; the temperature is missing from 250 to 330 s.
    """
    rows: list[tuple[int, int, int, bytes]] = []
    for tick in range(LENGTH_S * 10):
        t = tick / 10
        if t % 20 < 0.45:
            continue
        at = START_NS + tick * S // 10
        volts = 423 if 100 <= t < 110 else 424
        torque = -900 if 100 <= t < 180 else 899
        payload = torque.to_bytes(2, "little", signed=True) + volts.to_bytes(2, "little")
        rows.append((at, 1, 0, payload))
        if not 250 <= t < 330:
            heat = 20 + 46 / 60 * min(t, 150) - 0.3 * max(t - 150, 0)
            rows.append((at + 1000, 2, 0, round(heat * 10).to_bytes(2, "little")))
    whole = FrameBatch.from_rows(rows)
    places = [0, 1, 50, 700, 733, 2000, 2001, len(whole)]
    return [whole.select_rows(slice(first, last)) for first, last in pairwise(places)]


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Return that joint as it was recorded."""
    out: Path = tmp_path_factory.mktemp("gaps") / "rec"
    import_frames(
        frames(),
        bench=bench_from_texts(BENCH, {"l": LAYOUT}, where="bench.toml"),
        limits=parse_limits(LIMITS, "limits.toml"),
        out=out,
        name="gaps",
        start_ns=START_NS,
        end_ns=START_NS + LENGTH_S * S,
    )
    return Recording.open(out)


def told(recording: Recording, kinds: set[str]) -> list[tuple[str, str, float]]:
    """Return limit, kind and second of the events of some kinds."""
    return [
        (event.limit, str(event.kind), round((event.time_ns - START_NS) / S, 1))
        for event in recording.read_events()
        if event.kind in kinds and event.joint
    ]


def test_gaps_hide_nothing_and_a_level_is_reached_at_the_level(recording: Recording):
    """Every limit speaks up, and returns, though there is a gap every 20 s."""
    found = told(recording, {"raised", "returned"})
    assert ("low", "raised", 100.5) in found
    assert ("low", "returned", 110.0) in found
    assert ("loaded", "raised", 100.5) in found
    assert ("loaded", "returned", 180.5) in found
    assert ("long-loaded", "raised", 130.5) in found
    assert ("long-loaded", "returned", 185.5) in found
    (raised,) = [at for limit, kind, at in found if (limit, kind) == ("heats", "raised")]
    (returned,) = [at for limit, kind, at in found if (limit, kind) == ("heats", "returned")]
    assert 30 <= raised <= 33
    assert 150 < returned < 165


def test_afterwards_is_found_what_was_raised(recording: Recording, tmp_path: Path):
    """From the rows, by the short ways, and decoded again."""
    kinds = {"raised", "returned", "limit not judged", "limit judged again"}
    expected = told(recording, kinds)
    evaluation = evaluate_joint(recording, recording.limit_sets, "a")
    changes = [*evaluation.changes, *evaluation.coverage]
    again = [
        (change.limit, str(change.kind), round((change.time_ns - START_NS) / S, 1))
        for change in changes
    ]
    assert sorted(again) == sorted(expected)
    raised = sorted(at for _, kind, at in expected if kind == "raised")
    applied = hypothetical_limits(recording, recording.limits)
    assert sorted(round((one.raised_ns - START_NS) / S, 1) for one in applied.alerts) == raised
    redecode_frames(Path(recording.path), bench=recording.bench, out=tmp_path / "again")
    assert told(Recording.open(tmp_path / "again"), kinds) == expected


def test_the_short_ways_know_the_counts(recording: Recording):
    """Every share of the rated torque around the readings, by buckets and by rows."""
    text = LIMITS.split("[[limit]]")[3]
    levels = [round(0.85 + place / 200, 3) for place in range(20)]
    limits = [
        parse_limits(
            f"format = 1\n[[limit]]{text}".replace("= 0.9", f"= {level}"), "l.toml"
        ).limits[0]
        for level in levels
    ]
    short = evaluate_limits(recording, "a", limits)
    assert [len(alerts) for alerts in short] == [int(level <= 0.9) for level in levels]
    grids, rated = recording.count_grids("a"), recording.bench.joint_named("a").rated
    converted = [limit.in_channel_unit(rated).with_grids(grids) for limit in limits]
    for one, other in zip(short, evaluate_rows(recording, "a", converted), strict=True):
        assert one.raised_ns.tolist() == other.raised_ns.tolist()


def test_what_was_not_judged_stands_beside_the_excursions(recording: Recording):
    """In the events, from the rows, in the command's answer and in its words."""
    spans = recorded_not_judged(recording)
    assert [(one.limit, one.ongoing) for one in spans] == [("heats", False)]
    assert (spans[0].start_ns - START_NS) / S == pytest.approx(250, abs=0.3)
    # A window of 30 s has to be full again.
    assert (spans[0].end_ns - START_NS) / S == pytest.approx(361, abs=3)
    assert find_not_judged(recording, evaluate_joints(recording, recording.limits)) == spans
    (event,) = [one for one in recording.read_events() if one.kind == "limit not judged"]
    assert event.text.endswith(
        "while the housing is not reported, or while the housing has gaps longer than 3.75 s in "
        "every 30 s (heats)"
    )
    done = run("excursions", str(recording.path), "--json")
    answer = json.loads(done.stdout)
    assert [one["limit"] for one in answer["not_judged"]] == ["heats"]
    assert answer["not_judged"][0]["duration_s"] == pytest.approx(111, abs=4)
    assert "Not judged: " in run("excursions", str(recording.path)).stdout


def test_levels_are_exact_at_every_count(recording: Recording):
    """The recording's own counts, as its bench says them."""
    grids = recording.count_grids("a")
    assert {name: its[0].step for name, its in grids.items()} == {
        "torque_Nm": 1e-3 * 18.0,
        "voltage_V": 0.1,
        "temperature_housing_degC": 0.1,
    }
    assert np.isclose(grids["torque_Nm"][0].offset, 0.0)
