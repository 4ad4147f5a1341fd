"""Two recordings over each other: drawn alike, at their places, the first one whatever happens."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import fields
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.figures.row_choice import row_choice
from dashboard.figures.sheet import make_sheet
from dashboard.replay import recording_view
from dashboard.replay.overlay import (
    OverlayRequest,
    alignment_choices,
    draw_with_overlay,
    overlay_label,
)
from dashboard.replay.recording_view import DrawOptions
from dashboard.row_data import fine_bins
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.theme import DARK, LIGHT
from dashboard.text.units import select_displays
from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet, parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.alignment import Overlay
from replay.recording import Recording

S = 1_000_000_000
START_NS = 1_796_000_000 * S + 250_000_000
LENGTH_S = 600.0
GAP_S = (120.0, 160.0)
DRAWN = DrawOptions(sheet=make_sheet("normal", 900, 440), theme=LIGHT)


def _with_a_gap(batches: Iterator[FrameBatch]) -> Iterator[FrameBatch]:
    for batch in batches:
        at_s = (batch.time_ns - START_NS) / 1e9
        kept = ~((at_s >= GAP_S[0]) & (at_s < GAP_S[1]))
        yield FrameBatch(**{one.name: getattr(batch, one.name)[kept] for one in fields(batch)})


def _limits() -> LimitSet:
    return parse_limits(scenario.scenario_limits_text(), "limits.toml")


@pytest.fixture(scope="module")
def second(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Ten minutes of the same joints on another day, with 40 s without frames."""
    out = tmp_path_factory.mktemp("over") / "second"
    import_frames(
        _with_a_gap(
            simulate_frames(hours=LENGTH_S / 3600, rate_Hz=20.0, seed=5, start_ns=START_NS)
        ),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=20.0),
        limits=_limits(),
        out=out,
        name="Second",
        start_ns=START_NS,
        end_ns=START_NS + round(LENGTH_S) * S,
        note="fan off",
        simulated=True,
    )
    return Recording.open(out)


def _laid(second: Recording, shift_s: float) -> Overlay:
    return Overlay(recording=second, shift_ns=round(shift_s * S))


def _others(figure: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for one in figure["data"] if one["meta"].get("other")]


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("form", ["narrow", "normal", "wide"])
@pytest.mark.parametrize("window", [(0.0, 1800.0), (600.0, 660.0), (600.0, 601.0)])
def test_plotly_accepts_both(overheat: Recording, second: Recording, look, form: str, window):
    """In every form, theme and width: the joints' own pens, dashed, no more points than asked."""
    drawn = DrawOptions(sheet=make_sheet(form, 900, 440), theme=look)
    made = recording_view.window_figure(overheat, *window, drawn, _laid(second, 200.0))
    go.Figure(made)
    json.dumps(made, allow_nan=False)
    others = _others(made)
    assert {one["meta"]["joint"] for one in others} == {"shoulder", "elbow"}
    assert {one["meta"]["channel"].split("_")[0] for one in others} == {
        "temperature", "torque", "speed", "position",
    }  # fmt: skip
    bins = fine_bins(round((window[1] - window[0]) * S), drawn.sheet.plot_width)
    for one in made["data"]:
        other = one["meta"].get("other", False)
        assert one["line"]["color"] == look.pen_colour(one["meta"]["pen"])
        assert ("dash" in one["line"]) is other
        assert len(one["x"]) <= 3 * bins + 5
    named = [(pen["joint"], pen["other"]) for pen in made["layout"]["meta"]["rows"][0]["pens"]]
    assert named == [("shoulder", False), ("elbow", False), ("shoulder", True), ("elbow", True)]


def test_every_label_has_its_place(overheat: Recording, second: Recording):
    """A low sheet grows until each pen and limit has room for its label; alone it stays low."""
    low = DrawOptions(sheet=make_sheet("wide", 900, 300), theme=LIGHT)
    assert recording_view.window_figure(overheat, 0.0, 60.0, low)["layout"]["height"] == 300
    meta = recording_view.window_figure(overheat, 0.0, 60.0, low, _laid(second, 0.0))["layout"][
        "meta"
    ]
    labels = sum(len(row["pens"]) for row in meta["rows"]) + len(meta["limits"])
    assert labels >= 16
    room = meta["size"][1] - meta["margin"][2] - meta["margin"][3]
    assert room >= labels * 1.56 * meta["text"]


@settings(max_examples=40)
@given(
    start_s=st.floats(0.0, 1700.0),
    length_s=st.floats(0.0, 3.3).map(lambda power: 10.0**power),
    shift_s=st.floats(-700.0, 1900.0),
)
def test_no_extreme_of_the_second_is_lost(
    overheat: Recording, second: Recording, start_s: float, length_s: float, shift_s: float
):
    """At any window and shift its raw extremes stand in what plotly is given."""
    end_s = min(start_s + length_s, 1800.0)
    laid = _laid(second, shift_s)
    made = recording_view.window_figure(overheat, start_s, end_s, DRAWN, laid)
    begin_ns, end_ns = (laid.zero_ns + round(at_s * S) for at_s in (start_s, end_s))
    for joint in second.joints:
        _, raw = second.read_readings(
            joint, begin_ns, end_ns, channels=["torque_Nm"]
        ).channel_series("torque_Nm")
        drawn = [
            value
            for one in _others(made)
            if (one["meta"]["joint"], one["meta"]["channel"]) == (joint, "torque_Nm")
            for value in one["y"]
            if value is not None
        ]
        if len(raw):
            assert max(drawn) >= raw.max() - 1e-9
            assert min(drawn) <= raw.min() + 1e-9


@pytest.mark.parametrize("window", [(0.0, 1700.0), (600.0, 900.0), (600.0, 620.0)])
@pytest.mark.parametrize("shift_s", [0.0, 100.0, -50.0])
def test_a_recording_over_itself_is_the_recording(overheat: Recording, window, shift_s: float):
    """One way to read: what lies over it is what its own window shows, moved by the shift."""
    made = recording_view.window_figure(overheat, *window, DRAWN, _laid(overheat, shift_s))
    alone = recording_view.window_figure(overheat, window[0] - shift_s, window[1] - shift_s, DRAWN)
    own = {
        tuple(one["meta"].values()): one
        for one in alone["data"]
        if one["meta"]["role"] != "setpoint"
    }
    others = _others(made)
    assert len(others) == len(own)
    for one in others:
        said = dict(one["meta"])
        said.pop("other")
        there = own[tuple(said.values())]
        assert one["x"] == pytest.approx(np.array(there["x"]) + shift_s, abs=1e-6)
        assert one["y"] == there["y"]


@pytest.mark.parametrize("window", [(0.0, 1800.0), (500.0, 800.0), (600.0, 640.0), (600.0, 603.0)])
def test_both_are_drawn_alike(overheat: Recording, second: Recording, window):
    """In a row all are bands of one width, or all are lines."""
    made = recording_view.window_figure(overheat, *window, DRAWN, _laid(second, 200.0))
    roles: dict[str, set[bool]] = {}
    for one in made["data"]:
        if one["meta"]["role"] != "setpoint":
            roles.setdefault(one["yaxis"], set()).add(one["meta"]["role"] != "line")
    assert all(len(kinds) == 1 for kinds in roles.values())


def test_a_gap_of_the_second_is_its_own(overheat: Recording, second: Recording):
    """It breaks the dashed lines and is named; the ground is that of the first, which has none."""
    shift_s = 300.0
    made = recording_view.window_figure(overheat, 400.0, 480.0, DRAWN, _laid(second, shift_s))
    inside = (GAP_S[0] + shift_s + 4.0, GAP_S[1] + shift_s - 1.0)
    for one in _others(made):
        held = [x for x, y in zip(one["x"], one["y"], strict=True) if y is not None]
        assert not [x for x in held if inside[0] < x < inside[1]]
    lane = [word["text"] for word in made["layout"]["meta"]["lane"] if word["kind"] == "gap"]
    assert lane == ["other: no frames, 40 s"]
    filled = [one for one in made["layout"]["shapes"] if one.get("name") == "gap"]
    assert filled == []


def test_where_the_second_begins_and_ends(overheat: Recording, second: Recording):
    """Both are said in the lane, and the last value is not drawn on beyond the end."""
    made = recording_view.window_figure(overheat, 690.0, 1320.0, DRAWN, _laid(second, 700.0))
    notes = {
        word["text"]: word["x0"]
        for word in made["layout"]["meta"]["lane"]
        if word["text"].startswith("other ")
    }
    assert notes == {"other begins": 700.0, "other ends": 1300.0}
    near = recording_view.window_figure(overheat, 1295.0, 1310.0, DRAWN, _laid(second, 700.0))
    for one in _others(near):
        assert one["y"][-1] is None
        assert one["x"][-1] <= 1301.0


def test_a_spans_figures_stand_beside_each_other(overheat: Recording, second: Recording):
    """Those of the first, then what the other's own span gives, and which stretch of it that is."""
    told = recording_view.span_table(overheat, 600.0, 624.0, overlay=_laid(second, 300.0))
    own = recording_view.span_table(second, 300.0, 324.0)
    first = recording_view.span_table(overheat, 600.0, 624.0)
    numbers = ("joint", "minimum", "mean", "maximum", "rms")
    others = [[row[key] for key in numbers] for row in told["table"] if row["other"]]
    assert others == [[row[key] for key in numbers] for row in own["table"]]
    firsts = [[row[key] for key in numbers] for row in told["table"] if not row["other"]]
    assert firsts == [[row[key] for key in numbers] for row in first["table"]]
    assert [row["title"] for row in told["table"] if row["title"]] == [
        "Temperature", "Torque", "Speed", "Position",
    ]  # fmt: skip
    assert told["other"] == "other: Second, 00:05:00.0 to 00:05:24.0 of its own time, no gap"
    beyond = recording_view.span_table(overheat, 600.0, 624.0, overlay=_laid(second, 900.0))
    assert beyond["other"] == "other: nothing of it lies within this span"
    assert {row["mean"] for row in beyond["table"] if row["other"]} == {"–"}
    part = recording_view.span_table(overheat, 890.0, 910.0, overlay=_laid(second, 900.0))
    assert "−00:00:10.0 to 00:00:10.0 of its own time, 10 s of it recorded" in part["other"]
    assert first["other"] == ""


@pytest.mark.parametrize(
    ("shift_s", "words"),
    [
        (0.0, "; start on start"),
        (12.3, "; moved 12.3 s later"),
        (-0.1, "; moved 0.1 s earlier"),
        (400.5, "; moved 400.5 s (6 min 40 s) later"),
        (1e5, "Nothing of it lies within this recording: it would reach from 27:46:40 to 27:56:40"),
        (-600.0, "Nothing of it lies within this recording: it would reach from −00:10:00"),
    ],
)
def test_a_label_says_what_lies_over_what(
    overheat: Recording, second: Recording, shift_s: float, words: str
):
    """Both names, when the second one began, and how far it was moved which way."""
    said = overlay_label(overheat, _laid(second, shift_s), UTC)
    assert said.startswith("Second, started 30 Nov 2026, 00:53:20, over Overheat; ")
    assert words in said


def test_what_two_recordings_can_be_aligned_at(overheat: Recording, second: Recording):
    """Alerts, their ends, notes, the end; the first of the same limit in both by default."""
    told = alignment_choices(overheat, second)
    json.dumps(told, allow_nan=False)
    here, there = (told["events"][told["pair"][0]], told["other_events"][told["pair"][1]])
    assert here["label"].split(" ", 1)[1] == there["label"].split(" ", 1)[1]
    assert any(one["label"].endswith("note: fan off") for one in told["other_events"])
    assert told["other_events"][-1] == {"at_s": LENGTH_S, "label": "00:10:00 the end"}
    assert any(one["label"].endswith(", over") for one in told["events"])
    assert told["length_s"] == LENGTH_S
    assert (told["remarks"], told["omitted"]) == ([], 0)
    assert (
        alignment_choices(overheat, second, select_displays("rad", "rpm"))["pair"] == told["pair"]
    )


def _small(path: Path, name: str, joint: str, channel: str) -> None:
    layout = (
        'format = 1\nname = "l"\n[[frame]]\nname = "s"\nidentifier = 1\nlength = 4\nhold_s = 0.5\n'
        f'[[frame.value]]\nchannel = "{channel}"\nbyte = 0\nbits = 32\n'
    )
    bench = bench_from_texts(
        f'[bus]\ninterface = "virtual"\n[[joint]]\nname = "{joint}"\nlayout = "l"\n',
        {"l": layout},
        where="bench.toml",
    )
    writer = RecordingWriter(
        path, new_manifest(bench, name=name, started_ns=START_NS), bench, now_s=0.0
    )
    writer.close(ended_ns=START_NS + S, cause="stopped")


@pytest.fixture
def shelf(overheat: Recording, second: Recording, tmp_path: Path) -> RecordingCache:
    """Give a folder with the overheat, the second, and seconds that something is wrong with."""
    shutil.copytree(overheat.path, tmp_path / "overheat")
    shutil.copytree(second.path, tmp_path / "damaged")
    for part in (tmp_path / "damaged" / "status" / "joint=shoulder").glob("*.parquet"):
        content = bytearray(part.read_bytes())
        for at in range(len(content) // 8, len(content) // 2, 50):
            content[at] ^= 255
        part.write_bytes(content)
    shutil.copytree(second.path, tmp_path / "broken")
    (tmp_path / "broken" / "recording.json").write_text("{", "utf-8")
    _small(tmp_path / "hip", "Hip", "hip", "torque_Nm")
    _small(tmp_path / "volts", "Volts", "shoulder", "voltage_V")
    _small(tmp_path / "torque", "Torque", "shoulder", "torque_Nm")
    return RecordingCache(tmp_path)


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("nothing", "there is no recording named 'nothing'"),
        ("../overheat", "there is no recording named '../overheat'"),
        ("broken", "recording.json: this is not valid JSON"),
        ("damaged", "this part is damaged and cannot be read"),
        ("hip", "Hip has no joint of Overheat: found hip, expected one of shoulder, elbow."),
        ("volts", "Volts has no channel of Overheat that is drawn here: both have shoulder, but"),
    ],
)
def test_what_is_wrong_with_the_second_is_said(shelf: RecordingCache, name: str, sentence: str):
    """The first one is drawn as it is alone, its span's figures too, and a sentence says why."""
    first = shelf.open_recording("overheat")
    asked = OverlayRequest(name=name, shift_s=0.0, zone=UTC)
    for draw in (
        lambda laid: recording_view.window_figure(first, 300.0, 320.0, DRAWN, laid),
        lambda laid: recording_view.span_table(first, 300.25, 320.75, overlay=laid),
    ):
        made = draw_with_overlay(asked, shelf, first, draw)
        fault = made.pop("overlay")["fault"]
        assert fault.startswith("No overlay")
        assert sentence in fault
        assert made == draw(None)


def test_what_the_second_lacks_is_said(shelf: RecordingCache):
    """Joints and channels of the rows that it has not, while the rest is drawn."""
    first = shelf.open_recording("overheat")
    told = alignment_choices(first, shelf.open_recording("torque"))
    assert told["remarks"] == [
        "It has no elbow.",
        "Its shoulder has no housing, speed, position.",
    ]
    assert told["pair"] is None
    asked = OverlayRequest(name="torque", shift_s=float("nan"), zone=UTC)
    made = draw_with_overlay(
        asked,
        shelf,
        first,
        lambda laid: recording_view.window_figure(first, 0.0, 60.0, DRAWN, laid),
    )
    assert made["overlay"]["label"].endswith("; start on start")
    assert {one["meta"]["channel"] for one in _others(made)} == {"torque_Nm"}


def test_the_routes_bring_nonsense_into_range(serve, get, shelf: RecordingCache):
    """Shifts of nothing and to nowhere, a name of nothing: answered, and the first one drawn."""
    address = f"{serve(shelf.folder)}/api/recordings/overheat"
    for shift in ("nan", "inf", "-1e300", "5", ""):
        query = f"over=torque&shift={shift}" if shift else "over=torque"
        status, text = get(f"{address}/window?start=0&end=60&{query}")
        assert status == 200
        assert "label" in json.loads(text)["overlay"]
        assert get(f"{address}/span?start=0&end=60&{query}")[0] == 200
    status, text = get(f"{address}/window?start=0&end=60&over=..%2f..&shift=1")
    assert status == 200
    assert "fault" in json.loads(text)["overlay"]
    assert "overlay" not in json.loads(get(f"{address}/window?start=0&end=60")[1])
    status, text = get(f"{address}/window?start=0&end=60&over=torque&over_joints=x:y:z")
    assert "no joint 'y:z'" in json.loads(text)["overlay"]["fault"]


def test_a_joint_lies_over_one_of_another_name(shelf: RecordingCache):
    """With the pen of the one below it, its own name and its own figures of a span."""
    first, hip = shelf.open_recording("overheat"), shelf.open_recording("hip")
    told = alignment_choices(first, hip)
    assert [one["key"] for one in told["joints"]] == ["shoulder:hip", "elbow:hip"]
    assert not told["shares_joints"]
    asked = OverlayRequest(name="hip", shift_s=0.0, zone=UTC, joints="elbow:hip")
    made = draw_with_overlay(
        asked,
        shelf,
        first,
        lambda laid: recording_view.window_figure(first, 0.0, 60.0, DRAWN, laid),
    )
    assert made["overlay"]["label"].endswith("; start on start; hip over elbow")
    assert {(one["meta"]["joint"], one["meta"]["pen"]) for one in _others(made)} == {("hip", 2)}
    table = draw_with_overlay(
        asked, shelf, first, lambda laid: recording_view.span_table(first, 0.0, 60.0, overlay=laid)
    )["table"]
    assert [row["joint"] for row in table if row["other"]] == ["hip"]


def test_two_joints_of_one_recording_lie_over_each_other(overheat: Recording):
    """A recording over itself, one joint over the other, moved."""
    laid = Overlay(recording=overheat, shift_ns=5 * S, joints=("shoulder", "elbow"))
    made = recording_view.window_figure(
        overheat, 10.0, 60.0, DRAWN, laid, choice=row_choice("speed,position")
    )
    assert {(one["meta"]["joint"], one["meta"]["pen"]) for one in _others(made)} == {("elbow", 1)}
    assert len(made["layout"]["meta"]["rows"]) == 2
