"""A joint's label: what people read on pages and in answers; its short name stays the key."""

import json
import math
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from dashboard.bus.senders import message_table
from dashboard.figures.sheet import make_sheet
from dashboard.live.status import live_status
from dashboard.plot_data import plan_recording_rows, read_annotations
from dashboard.replay.excursion_rows import excursion_rows
from dashboard.replay.recording_list import recording_list
from dashboard.replay.recording_view import DrawOptions, span_table, window_figure
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.theme import LIGHT
from dashboard.text.units import DEFAULT_DISPLAYS
from logger.errors import InputError
from logger.importing.import_frames import import_frames
from logger.joint.bench.bench import (
    Bench,
    SensorSettings,
    add_sensor_to_bench,
    bench_from_texts,
    read_bench,
)
from logger.limits.limit import parse_limits
from logger.notify.message import MessageSource, message_payload, message_text
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.events import Event
from replay.bus_events import sample_traffic
from replay.excursions.applied_limits import recorded_limits
from replay.recording import Recording
from replay.tuning.report import describe_bad_end
from replay.tuning.sweep_file import BadEnd
from tests.support.command import run

START_NS = 1_795_000_000_000_000_000
DRAWN = DrawOptions(sheet=make_sheet("normal", 900, 440), theme=LIGHT)
LABEL = "Left shoulder, no. 7"
LIMITS = """format = 1
[[limit]]
name = "warm"
kind = "level"
severity = "warning"
joint = "shoulder"
channel = "temperature_housing_degC"
above = 50.0

[[limit]]
name = "current"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above_rated = 0.9
"""


def _bench(label: str = LABEL) -> Bench:
    text = scenario.scenario_bench_text("simulated").replace(
        'name       = "shoulder"\n', f'name       = "shoulder"\nlabel      = "{label}"\n'
    )
    layout = scenario.scenario_layout_text(10.0)
    return bench_from_texts(text, {scenario.SCENARIO_LAYOUT: layout}, where="bench.toml")


@pytest.fixture(scope="module")
def labelled(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give a recording of a minute whose shoulder has a label and is warm from the start."""
    path = tmp_path_factory.mktemp("labels") / "rec"
    import_frames(
        simulate_frames(hours=1 / 60, rate_Hz=10.0, seed=3, start_ns=START_NS),
        bench=_bench(),
        limits=parse_limits(LIMITS, "limits.toml"),
        out=path,
        name="Labels",
        start_ns=START_NS,
        end_ns=START_NS + 60_000_000_000,
        simulated=True,
    )
    return Recording.open(path)


def test_replay_names_it_by_its_label(labelled: Recording):
    """Traces, spans, excursions, limit lines and the list; the short name is the key beside it."""
    figure = window_figure(labelled, 0.0, 60.0, DRAWN)
    pens = [pen for row in figure["layout"]["meta"]["rows"] for pen in row["pens"]]
    assert {(pen["joint"], pen["label"]) for pen in pens} == {
        ("shoulder", LABEL), ("elbow", "elbow"),
    }  # fmt: skip
    rows = [row["joint"] for row in span_table(labelled, 0.0, 60.0)["table"]]
    assert set(rows) == {LABEL, "elbow"}
    applied = recorded_limits(labelled)
    listed, _ = excursion_rows(labelled, applied, DEFAULT_DISPLAYS)
    assert next(row["label"] for row in listed if row["limit"] == "warm").startswith(f"{LABEL} ")
    (entry,) = recording_list(RecordingCache(labelled.path.parent), UTC)["rows"]
    assert (entry["joints"], entry["joint_names"]) == (f"{LABEL}, elbow", "shoulder, elbow")
    assert entry["at"] == LABEL
    annotations = read_annotations(labelled, plan_recording_rows(labelled), START_NS, None)
    assert f"{LABEL} warning 16.2" in [line.text for line in annotations.limits]


def test_the_bus_page_names_it_by_its_label(labelled: Recording):
    """Whose an identifier is."""
    end_ns = START_NS + 10_000_000_000
    sample = sample_traffic(labelled, START_NS, end_ns)
    table = message_table(
        sample,
        0,
        start_ns=START_NS,
        requested_s=10.0,
        recorded_load=math.nan,
        labels=labelled.bench.labels,
    )
    assert {row["joint"][0] for row in table["senders"]} == {LABEL, "elbow"}


def test_live_names_it_by_its_label(labelled: Recording):
    """Card and alert; the row is still that of the short name."""
    status = live_status(labelled, latest={}, slow={}, now_ns=START_NS + 59_000_000_000, zone=UTC)
    assert [(joint["name"], joint["label"]) for joint in status["joints"]] == [
        ("shoulder", LABEL), ("elbow", "elbow"),
    ]  # fmt: skip
    assert any(LABEL in row["headline"] for row in status["alerts"])


def test_commands_print_the_label_and_answer_with_the_name(labelled: Recording, tmp_path: Path):
    """Tables are for people; JSON has the key. decode says whose the frame is."""
    done = run("excursions", str(labelled.path))
    assert f"  {LABEL}  warm " in done.stdout
    found = json.loads(run("excursions", str(labelled.path), "--json").stdout)["excursions"]
    assert {one["joint"] for one in found} == {"shoulder"}
    assert f"  {LABEL} (shoulder): 780 readings" in run("check", str(labelled.path)).stdout
    (tmp_path / "bench.toml").write_text(_bench().text, encoding="utf-8")
    (tmp_path / "limits.toml").write_text(LIMITS, encoding="utf-8")
    checked = run(
        *("limits", "check", str(tmp_path / "limits.toml"), "--bench", str(tmp_path / "bench.toml"))
    )
    assert f"housing of {LABEL}" in checked.stdout
    assert f"{LABEL}: torque at or above" in checked.stdout
    assert "shoulder" not in checked.stdout.replace(LABEL, "")
    decoded = run("decode", str(tmp_path / "bench.toml"), "0x4D6", "60C9 56 00 4F")
    assert decoded.stdout.startswith(f"{LABEL}: health\n")


def test_a_message_to_people_has_it():
    """In the sentence of an event, beside one that has the short name; as a field as well."""
    event = Event(
        sequence=1, time_ns=START_NS, kind="raised", joint="shoulder", limit="warm",
        severity="warning", alert=1, text="shoulder: housing at 50 °C (warm)",
    )  # fmt: skip
    source = MessageSource(recording="rec", labels=_bench().labels)
    content = message_payload(event, source)
    assert (content["joint"], content["label"]) == ("shoulder", LABEL)
    assert f"({LABEL}, rec, " in message_text(content)
    said = message_payload(replace(event, text=f"{LABEL}: housing at 50 °C (warm)"), source)
    assert message_text(said).count(LABEL) == 1
    acknowledged = message_payload(replace(event, kind="acknowledged", text=""), source)
    assert f"{LABEL} warm" in message_text(acknowledged)
    # One that an earlier version left in the outbox has none.
    del content["label"]
    assert "(rec, " in message_text(content)


def test_a_sensor_may_have_one():
    """Added later as well: it stands in the bench text and reads back."""
    sensor = SensorSettings(name="room", label='The "room"', channels=("temperature_ambient_degC",))
    bench = add_sensor_to_bench(_bench(), sensor, where="bench.toml")
    assert bench.label_of("room") == 'The "room"'
    assert bench.label_of("nobody") == "nobody"


@pytest.mark.parametrize("label", ["elbow", "a\\nb", "x" * 41])
def test_what_no_label_is(tmp_path: Path, label: str):
    """Another joint's, two lines, too long: one sentence with the key."""
    text = _bench("fine").text.replace('"fine"', f'"{label}"')
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_bench(tmp_path / "bench.toml")
    assert "label" in str(told.value)
    assert "expected" in str(told.value)


def test_the_sentences_of_events_have_it(labelled: Recording):
    """What happened to a joint is told of it as people call it; the field keeps the short name."""
    told = [event for event in labelled.read_events() if event.joint == "shoulder"]
    assert "raised" in {event.kind for event in told}
    assert all(event.text.startswith(f"{LABEL}: ") for event in told)


def test_a_bad_end_has_it():
    """What `tune` and a limits file that was saved say of the sweep."""
    bad_end = BadEnd(joint="shoulder", channel="temperature_housing_degC", above=80.0)
    said = describe_bad_end(bad_end, _bench().labels)
    assert said == f"housing of {LABEL} at or above 80 °C"
