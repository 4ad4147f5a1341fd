"""What the Bus page is told of a recording: figures that plotly takes, words that hold."""

import json
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

import plotly.graph_objects as go
import pytest

from dashboard.bus.view import BusViewRequest, bus_view
from dashboard.figures.sheet import make_sheet
from dashboard.text.theme import DARK, LIGHT
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.bus_history import BusTotals, extend_bus_seconds
from replay.recording import Recording
from tests.support.buses import START_NS, S, asking_bus, bench, two_buses


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give the recording of two buses, ended."""
    path = tmp_path_factory.mktemp("two") / "rec"
    two_buses(path)
    return Recording.open(path)


def _asked(**changed) -> BusViewRequest:
    plain = {
        "bus": 0, "view": None, "span": None, "newest_s": 10.0, "theme": LIGHT, "zone": UTC,
        "sheet": make_sheet("normal", 900, 440),
    }  # fmt: skip
    return BusViewRequest(**{**plain, **changed})


def _page(recording: Recording, **changed) -> dict:
    return bus_view(recording, extend_bus_seconds(recording), _asked(**changed))


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("form", ["narrow", "normal", "wide"])
@pytest.mark.parametrize("view", [None, (60.0, 70.0), (-5.0, 1e9)])
def test_plotly_accepts_every_figure(two: Recording, look, form: str, view):
    """The rows of either bus in every form and theme are figures, and travel as plain JSON."""
    for bus in (0, 1):
        page = _page(two, bus=bus, view=view, sheet=make_sheet(form, 900, 440), theme=look)
        go.Figure(page["figure"])
        assert len(json.dumps(page, allow_nan=False)) < 60_000
        assert 0 <= page["view"][0] < page["view"][1] <= 180


def test_a_bus_is_told_by_its_row_and_never_by_a_colour(two: Recording):
    """Each bus's load has a row of its own, on one scale; the rest is the chosen one's."""
    page = _page(two, bus=1)
    rows = page["figure"]["layout"]["meta"]["rows"]
    assert [(row["title"], row["bus"]) for row in rows] == [
        ("Load, left", 0), ("Load, right", 1), ("Frames, right", 1), ("Errors, right", 1),
        ("Lost, right", 1),
    ]  # fmt: skip
    assert rows[0]["range"] == rows[1]["range"]
    inks = {
        trace.get("line", trace.get("marker", {})).get("color") for trace in page["figure"]["data"]
    }
    assert inks == {LIGHT.ink}


def test_every_error_and_loss_is_in_the_picture(two: Recording):
    """The bars hold as many error and lost frames as the recording tells, at any zoom."""
    for width, view in ((900, None), (300, None), (900, (30.0, 150.0))):
        page = _page(two, view=view, sheet=make_sheet("normal", width, 440))
        bars = [trace for trace in page["figure"]["data"] if trace["type"] == "bar"]
        assert [sum(trace["y"]) for trace in bars] == [15, 128]


def test_gaps_are_named_and_drawn_over_their_bus(two: Recording):
    """The bus that was away is shaded in its own row; the lane says for how long."""
    layout = _page(two, bus=0)["figure"]["layout"]
    shaded = [shape for shape in layout["shapes"] if shape["type"] == "rect"]
    assert [(shape["x0"], shape["x1"]) for shape in shaded] == [(90.0, 100.0)]
    assert [shape["y1"] for shape in shaded] == [layout["meta"]["rows"][1]["domain"][1]]
    lane = [word["text"] for word in layout["meta"]["lane"]]
    assert lane == ["128 frames lost", "right: bus lost, 10 s"]


def test_the_words_of_each_bus(two: Recording):
    """What failed is said in words beside the figures, and with a mark."""
    left, right = _page(two)["buses"]
    assert (left["state"], left["mark"], left["errors"], left["lost"]) == (
        "error frames, frames lost", "abnormal", "15", "128",
    )  # fmt: skip
    assert (right["state"], right["away"]) == ("was lost", "once, 10 s")
    assert left["where"] == "socketcan can0, 500 kbit/s"


def test_a_bus_of_which_much_is_not_decoded_is_not_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Its share stands where the verdict does, and beside "no fault" of the span."""
    asking_bus(tmp_path / "rec")
    page = _page(Recording.open(tmp_path / "rec"))
    assert page["buses"][0]["state"] == "requests unanswered"
    recording = Recording.open(tmp_path / "rec")
    monkeypatch.setattr("dashboard.bus.view.undecoded_share", lambda _recording: 0.26)
    monkeypatch.setattr("dashboard.bus.view.bus_totals", lambda _seconds: _quiet_totals())
    (bus,) = _page(recording)["buses"]
    assert (bus["state"], bus["mark"]) == ("26\u202f% not decoded", "none")
    monkeypatch.setattr("dashboard.bus.view.undecoded_share", lambda _recording: 0.02)
    (bus,) = _page(recording)["buses"]
    assert (bus["state"], bus["mark"]) == ("in order", "normal")


def _quiet_totals() -> BusTotals:
    return BusTotals(
        load_mean=0.1, load_max=0.2, frames_per_s_mean=100.0, frames_per_s_max=101.0,
        error_frames=0, remote_frames=0, lost=0, garbled=0, unanswered=0,
    )  # fmt: skip


def test_what_is_said_of_a_span(two: Recording):
    """No fault and all decoded; no fault beside much of nobody's; a hint alone."""
    told = _page(two, bus=1, span=(20.0, 30.0))["traffic"]
    assert told["hints"] == []
    assert told["verdict"] == ["normal", "Nothing in this span is out of order."]
    told = _page(two, span=(20.0, 30.0))["traffic"]
    assert len(told["hints"]) == 1
    mark, sentence = told["verdict"]
    assert mark == "none"
    assert sentence.startswith("9% of the frames are not decoded: no joint")
    away = _page(two, bus=1, span=(85.0, 110.0))["traffic"]
    assert not any("missing for a while" in hint for hint in away["hints"]), "the bus was away"


def test_the_load_of_a_span_is_by_the_measure_of_the_table(two: Recording, tmp_path: Path):
    """Requests that were sent count in both; what was made without them says "apart"."""
    asking_bus(tmp_path / "asked")
    page = _page(Recording.open(tmp_path / "asked"), span=(10.0, 20.0))
    assert ["load", "2.0", "%"] in page["traffic"]["facts"]
    assert page["buses"][0]["load"]["mean"] == "2.0"
    short = _page(Recording.open(tmp_path / "asked"), span=(10.1, 10.2))["traffic"]
    assert [fact[0] for fact in short["facts"]][2] == "load, requests apart"


def test_the_newest_span_is_looked_at_first(two: Recording):
    """Ten seconds up to the newest frame; a span that is asked for instead."""
    newest = _page(two)["traffic"]
    assert newest["to_s"] == pytest.approx(180.0, abs=0.1)
    assert newest["to_s"] - newest["from_s"] == pytest.approx(10.0)
    asked = _page(two, span=(20.0, 21.0))["traffic"]
    assert (asked["from_s"], asked["to_s"], asked["title"]) == (20.0, 21.0, "Traffic in 1 s")
    assert asked["cut"] == ""
    assert [row["reason"][0] for row in asked["senders"]] == [
        "decoded", "fits no frame of its layout", "identifier of no joint",
    ]  # fmt: skip


def test_a_long_span_is_cut_and_says_so(two: Recording, monkeypatch: pytest.MonkeyPatch):
    """What was looked at is named where it is less than what was asked for."""
    monkeypatch.setattr("replay.bus_events.MAX_SAMPLE_S", 30.0)
    talk = _page(two, span=(0.0, 170.0))["traffic"]
    assert talk["cut"].startswith("Only 30 s of the selected 2 min 50 s are evaluated")


def test_an_old_recording_says_what_it_cannot_tell(tmp_path: Path):
    """No figures for each bus: a sentence, dashes, no row of errors that nobody counted."""
    two_buses(tmp_path / "old", each_bus=False)
    page = _page(Recording.open(tmp_path / "old"))
    assert "holds nothing of single buses" in page["caution"]
    assert [bus["errors"] for bus in page["buses"]] == ["–", "–"]
    assert "Errors" not in {row["title"] for row in page["figure"]["layout"]["meta"]["rows"]}
    assert page["traffic"]["senders"]


def test_nothing_yet(tmp_path: Path):
    """A recording that has just begun: no frame, no second, and no fault."""
    the_bench = bench()
    manifest = new_manifest(the_bench, name="new", started_ns=START_NS)
    writer = RecordingWriter(tmp_path / "new", manifest, the_bench, now_s=0.0)
    recording = Recording.open(tmp_path / "new")
    page = _page(recording)
    assert page["traffic"] is None
    assert page["caution"] == "The first statistics come after a second."
    go.Figure(page["figure"])
    json.dumps(page, allow_nan=False)
    writer.close(ended_ns=START_NS + S, cause="stopped")
    recording.refresh()
    assert "holds no statistics" in _page(recording)["caution"]


def test_the_routes(serve: Callable[..., str], two: Recording, get: Callable[[str], tuple]):
    """The list and one recording; nonsense is brought into range, foreign names are none."""
    address = serve(two.path.parent)
    status, text = get(f"{address}/api/bus/recordings")
    assert status == 200
    assert [one["path"] for one in json.loads(text)["recordings"]] == ["rec"]
    for query in (
        "start=9&end=3",
        "start=nan&end=inf",
        "span0=-1e99&span1=1e99",
        "newest=-4",
        "width=nan&height=inf&form=x&theme=y&zone=nowhere",
        "bus=none&start=5",
    ):
        assert get(f"{address}/api/recordings/rec/bus?{query}")[0] == 200, query
    assert get(f"{address}/api/recordings/rec/bus?start=a")[0] == 422
    for name in ("..", "%2e%2e", "..%2f..", "nothing", "rec%2f..", "~"):
        status, text = get(f"{address}/api/recordings/{name}/bus")
        assert '"figure"' not in text, name


def test_requests_without_an_answer_are_counted_and_drawn(two: Recording, tmp_path: Path):
    """In all, and in the seconds in which they failed; a dash where nothing is asked."""
    asking_bus(tmp_path / "asked")
    page = _page(Recording.open(tmp_path / "asked"))
    (bus,) = page["buses"]
    assert (bus["unanswered"], bus["mark"], bus["state"]) == (
        "15", "abnormal", "requests unanswered",
    )  # fmt: skip
    assert [row["title"] for row in page["figure"]["layout"]["meta"]["rows"]][-1] == "Unanswered"
    bars = [trace for trace in page["figure"]["data"] if trace["type"] == "bar"][-1]
    assert [(x, y) for x, y in zip(bars["x"], bars["y"], strict=True) if y] == [
        (at + 0.5, 3.0) for at in range(20, 25)
    ]
    assert [bus["unanswered"] for bus in _page(two)["buses"]] == ["–", "–"]
