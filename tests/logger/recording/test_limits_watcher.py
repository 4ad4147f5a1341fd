"""Limits that are saved while they are in force: checked, taken over at one instant, or refused."""

import os
from collections.abc import Callable
from pathlib import Path

import can
import pytest

from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import parse_limits, read_limits
from logger.recording.limits_watcher import LimitsWatcher
from logger.recording.record_settings import RecordSettings
from logger.simulate import scenario
from replay.excursions.over_rows import find_excursions
from replay.excursions.recorded import recorded_excursions
from replay.recording import Recording
from tests.support.demo_drive import answer_id, health_answer
from tests.support.recorder import Recorder, kinds_told

BESIDE = {"started", "ended", "bus hint", "standstill"}
"""Events that tell nothing of limits."""
LIMITS = """
format = 1
[[limit]]
name = "warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = {warm}
[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 60.0
"""


def _bench(channel: str) -> Bench:
    return bench_from_texts(
        f'[bus]\ninterface = "virtual"\nchannel = "{channel}"\n'
        '[[joint]]\nname = "shoulder"\nlayout = "harvest-joint"\nnode = 3\n',
        {"harvest-joint": scenario.scenario_layout_text()},
        where="bench.toml",
    )


def _save(path: Path, text: str) -> None:
    """Save as many editors do: aside, then renamed."""
    aside = path.with_suffix(".new")
    aside.write_text(text, encoding="utf-8")
    aside.rename(path)


def test_each_save_is_looked_at_once(tmp_path: Path):
    """The same text is no news; a mistake is told once; a file that is gone changes nothing."""
    path = tmp_path / "limits.toml"
    _save(path, LIMITS.format(warm=50.0))
    file = LimitsWatcher(path, _bench("look"), read_limits(path))
    assert file.poll_file() is None
    _save(path, LIMITS.format(warm=50.0))
    assert file.poll_file() is None
    _save(path, LIMITS.format(warm=55.0))
    taken = file.poll_file()
    assert not isinstance(taken, str)
    assert taken is not None
    assert taken.text == LIMITS.format(warm=55.0)
    assert file.poll_file() is None
    _save(path, LIMITS.format(warm='"x"'))
    refused = str(file.poll_file())
    assert "above: found 'x', expected a number" in refused
    assert "limits.toml" in refused
    assert str(tmp_path) not in refused, "it becomes an event that others read"
    assert file.poll_file() is None
    _save(path, LIMITS.format(warm=55.0).replace("housing", "winding"))
    assert "which no joint of the bench carries" in str(file.poll_file())
    path.unlink()
    assert "there is no such limits file" in str(file.poll_file())
    _save(path, LIMITS.format(warm=55.0))
    assert file.poll_file() is None


def test_what_is_saved_between_reading_and_watching_is_seen(tmp_path: Path):
    """The first look compares the text."""
    path = tmp_path / "limits.toml"
    _save(path, LIMITS.format(warm=50.0))
    read = read_limits(path)
    _save(path, LIMITS.format(warm=55.0))
    assert LimitsWatcher(path, _bench("look"), read).poll_file() is not None


def test_others_in_force_make_the_next_save_news(tmp_path: Path):
    """Though it says what it said before; until then the file undoes nothing."""
    path = tmp_path / "limits.toml"
    _save(path, LIMITS.format(warm=50.0))
    file = LimitsWatcher(path, _bench("look"), read_limits(path))
    assert file.poll_file() is None
    file.replace_current(parse_limits(LIMITS.format(warm=40.0), "x"))
    assert file.poll_file() is None
    _save(path, LIMITS.format(warm=50.0))
    again = file.poll_file()
    assert not isinstance(again, str)
    assert again is not None
    assert again.text == LIMITS.format(warm=50.0)


def test_a_recording_takes_them_over(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """A changed limit ends its alert and begins anew; one that is the same stands."""
    path = tmp_path / "limits.toml"
    _save(path, LIMITS.format(warm=50.0))
    settings = RecordSettings(
        bench=_bench("taken-over"),
        where="bench.toml",
        limits=read_limits(path),
        limits_file=path,
        out=tmp_path / "rec",
        name="t",
    )
    with can.Bus(interface="virtual", channel="taken-over") as other:
        task = other.send_periodic(
            can.Message(arbitration_id=answer_id(3), data=health_answer(70), is_extended_id=False),
            0.02,
        )
        recorder = Recorder(settings)

        def raised() -> int:
            return kinds_told(Recording.open(tmp_path / "rec")).count("raised")

        try:
            until(lambda: raised() == 2, "both limits are raised")
            _save(path, LIMITS.format(warm=65.0))
            until(lambda: raised() == 3, "the changed limit is raised")
            _save(path, "format = 2")
            until(
                lambda: "limits refused" in kinds_told(Recording.open(tmp_path / "rec")),
                "what is no limits file is refused",
            )
        finally:
            task.stop()
            ended = recorder.end()
    assert ended is not None
    recording = Recording.open(tmp_path / "rec")
    kinds = [(event.kind, event.limit) for event in recording.read_events()]
    assert [kind for kind in kinds if kind[0] not in BESIDE] == [
        ("raised", "warm"),
        ("raised", "hot"),
        ("returned", "warm"),
        ("limits taken over", ""),
        ("raised", "warm"),
        ("limits refused", ""),
    ]
    (_, first), (from_ns, second) = recording.limit_sets
    assert first.text == LIMITS.format(warm=50.0)
    assert second.text == recording.limits.text == LIMITS.format(warm=65.0)
    (taken,) = [event for event in recording.read_events() if event.kind == "limits taken over"]
    assert taken.time_ns == from_ns
    assert [alert.number for alert in recording.read_alerts()] == [1, 2, 3]
    # Afterwards, each stretch is judged by what was in force.
    live = [
        (event.limit, event.time_ns) for event in recording.read_events() if event.kind == "raised"
    ]
    found = [(one.limit, one.start_ns) for one in find_excursions(recording)]
    assert sorted(found) == sorted(live)
    assert recorded_excursions(recording) == find_excursions(recording)


def test_limits_that_nobody_changed_are_one_set():
    """They apply since the start."""
    recording = Recording.open(Path(__file__).parents[3] / "recordings" / "demo-overheat")
    assert [from_ns for from_ns, _ in recording.limit_sets] == [recording.manifest.started_ns]
    assert recording.limits.text == parse_limits(recording.limits.text, "x").text


@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 20_000, "format = " + "9" * 5000, "a" + ".a" * 300 + " = 1"],
    ids=["nesting", "digits", "dots"],
)
def test_a_file_past_all_bounds_is_refused_in_a_sentence(tmp_path: Path, text: str):
    """It would end the recorder, which looks at it on its writing thread."""
    path = tmp_path / "limits.toml"
    path.write_text(LIMITS.format(warm=50.0), encoding="utf-8")
    watcher = LimitsWatcher(path, _bench("bounds"), read_limits(path))
    assert watcher.poll_file() is None
    _save(path, text)
    told = watcher.poll_file()
    assert isinstance(told, str)
    assert told.startswith("limits.toml: ")
    assert watcher.poll_file() is None


def test_a_pipe_in_its_place_does_not_hold_the_recorder(tmp_path: Path):
    """Opening it would wait for somebody who writes."""
    path = tmp_path / "limits.toml"
    path.write_text(LIMITS.format(warm=50.0), encoding="utf-8")
    watcher = LimitsWatcher(path, _bench("pipe"), read_limits(path))
    watcher.poll_file()
    path.unlink()
    os.mkfifo(path)
    told = watcher.poll_file()
    assert isinstance(told, str)
    assert "a pipe" in told
