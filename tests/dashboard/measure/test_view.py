"""What the Measure page is answered: what `dutytrace measure` gives, and what it saw so far."""

import json
import shlex
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboard.measure.evaluated import Evaluations
from dashboard.measure.question import MeasureFields
from dashboard.measure.view import measure_view
from dashboard.text.theme import LIGHT
from dashboard.text.units import DEFAULT_DISPLAYS
from logger.store.repair.post_request import submit_request
from replay.recording import Recording
from tests.support.benches.loop_bench import draw_loop_bench
from tests.support.command import run
from tests.support.heat_recordings import START_NS, record_channels

S = 1_000_000_000
TIPS = "arm=344 mm +- 0.5 mm;tip=12.5 mm at +10 N;tip=10 mm at -10 N;tip=14 mm at +30 N;" \
    "tip=9 mm at -30 N"  # fmt: skip


@pytest.fixture(scope="module")
def loops(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Record two loops of a simulated gear, 20 s each, ten readings a second."""
    bench = draw_loop_bench(
        np.random.default_rng(5), positions=2, ramp_s=20.0, rate_hz=10.0, count=0.0
    )
    series = [one.series for one in bench.setup.spans]
    time_s = np.concatenate([one["torque_Nm"][0] for one in series])
    columns = {
        name: np.concatenate([one[name][1] for one in series])
        for name in ("torque_Nm", "position_rad")
    }
    return record_channels(
        tmp_path_factory.mktemp("measure") / "loops",
        START_NS + np.round(time_s * S).astype(np.int64),
        columns,
        settings="rated = { torque = 24.0 }\n",
    )


def _view(recording: Recording, **fields: str) -> dict:
    asked = MeasureFields(**fields).asked("a")
    return measure_view(
        recording,
        asked,
        Evaluations().find(recording, asked),
        pen=1,
        theme=LIGHT,
        zone=ZoneInfo("UTC"),
        displays=DEFAULT_DISPLAYS,
        is_narrow=False,
    )


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": "backlash", "way": "loop", "spans": "loop1=0..19.9;loop2=30..49.8"},
        {"kind": "backlash", "way": "tip", "readings": TIPS, "divisions": "tip=0.5 mm"},
    ],
    ids=["loop", "tip"],
)
def test_the_page_answers_what_the_command_answers(loops: Recording, fields: dict[str, str]):
    """The command that the page names gives the very numbers that the page shows."""
    view = _view(loops, **fields)
    words = shlex.split(view["command"])
    done = run(*words[1:3], str(loops.path), *words[4:], "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    shown = json.loads(json.dumps(view["result"]["json"]))
    assert shown["quantities"]
    assert {key: told[key] for key in shown if key != "picture"} == {
        key: value for key, value in shown.items() if key != "picture"
    }


def test_a_span_that_is_open_says_what_it_lacks(loops: Recording):
    """Half a loop never had a torque of the other sign; the closed one before it has a result."""
    first = "loop1=0..9"
    view = _view(loops, kind="backlash", way="loop", spans=first)
    assert view["state"] == "refused"
    assert "needs a move through zero" in view["reason"]
    assert "--span" not in view["reason"]
    both = _view(loops, kind="backlash", way="loop", spans="loop1=0..19.9;loop2=30..41")
    assert both["state"] == "refused", "a closed span that is none is not left out"
    whole = loops.end_ns - loops.start_ns
    open_from = round(whole / S - 9.0, 3)
    view = _view(loops, kind="backlash", way="loop", spans=f"loop1=0..19.9;loop2={open_from}..")
    assert view["state"] == "answered"
    assert "never closed" in view["reason"]
    assert view["result"]["interval"] == "", "one loop is no interval"


def test_before_anything_is_typed_it_says_how_narrow_it_gets(loops: Recording):
    """The first steps are to be done, and the expectation of these instruments is told."""
    view = _view(loops, kind="backlash", way="tip", divisions="tip=1 mm")
    assert view["state"] == "nothing"
    assert "read to 1 mm" in view["expected"][0]
    assert [one["code"] for one in view["steps"] if one["now"]] == ["hold motor", "arm"]
    assert view["result"] is None
    assert not _view(loops, kind="backlash", way="loop")["expected"], (
        "a ruler says nothing of loops"
    )


def test_spans_are_offered_where_they_tell_something(loops: Recording):
    """Turned by hand, a span tells nothing without an instrument that is recorded."""

    def roles(**more: str) -> list[str]:
        view = _view(loops, kind="free", readings="arm=200 mm", **more)
        return [one["role"] for step in view["steps"] if step["now"] for one in step["spans"]]

    assert roles() == []
    assert roles(channels="scale=torque_Nm") == ["forward", "backward"]


def test_what_is_refused_is_told_without_options(loops: Recording):
    """A reading that does not fit is told in the words of the evaluation."""
    view = _view(loops, kind="backlash", way="tip", readings="arm=344 kg;play=1 mm")
    assert view["state"] == "refused"
    assert view["reason"] == "Found '344 kg', expected a length, such as 344 mm."


def test_the_trace_shows_the_spans_that_were_marked(loops: Recording):
    """One shade a span over the channel of the step, the newest value beside it."""
    view = _view(loops, kind="backlash", way="loop", spans="loop1=0..19.9;loop2=30..")
    shades = view["course"]["layout"]["shapes"]
    assert [one["x0"] for one in shades] == [0.0, 30.0]
    assert view["value"]["channel"] == "torque_Nm"
    assert view["value"]["unit"] == "N·m"
    assert view["picture"]["data"], "the closed loop is drawn"


def test_an_evaluation_is_made_once(loops: Recording, monkeypatch: pytest.MonkeyPatch):
    """As long as nothing changes, asking again computes nothing."""
    made = []
    real = Evaluations._evaluate
    monkeypatch.setattr(
        Evaluations, "_evaluate", lambda self, *given: made.append(1) or real(self, *given)
    )
    evaluations = Evaluations()
    asked = MeasureFields(kind="backlash", readings="arm=344 mm;play=1 mm").asked("a")
    first = evaluations.find(loops, asked)
    assert evaluations.find(loops, asked) is first
    assert len(made) == 1


def test_spans_that_notes_name_are_offered_until_they_are_marked(loops: Recording):
    """In s since the start, as they are sent back; the command takes the same by --noted."""
    for at_s, text in ((0, "loop1: 24 N.m"), (20, "to the next: moves"), (30, "loop2: 24 N.m")):
        submit_request(loops.path, kind="note", text=text, at_ns=START_NS + at_s * S)
    noted = Recording.open(loops.path)
    offered = _view(noted, kind="backlash", way="loop")["noted"]
    assert [(one["name"], one["begin_s"]) for one in offered] == [("loop1", 0.0), ("loop2", 30.0)]
    assert offered[0]["end_s"] == 20.0
    marked = "loop1=0..20"
    left = _view(noted, kind="backlash", way="loop", spans=marked)["noted"]
    assert [one["name"] for one in left] == ["loop2"]
    done = run("measure", "backlash", str(loops.path), "--noted", "--json")
    assert done.returncode == 0, done.stderr
    assert [one["name"] for one in json.loads(done.stdout)["spans"]] == ["loop1", "loop2"]
    refused = run("measure", "ceiling", str(loops.path), "--noted")
    assert refused.returncode == 2
    assert "a note such as 'torque1: what is done'" in refused.stderr.replace("\n", " ")
