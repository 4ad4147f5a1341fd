"""A stop frame on a trip, on a real byte path: in time, told, and an alert where it did nothing."""

import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.lifecycle import Alert
from logger.limits.limit import parse_limits
from logger.recording.record_settings import RecordSettings, settings_to_resume
from logger.recording.recorder import record
from logger.simulate.line_protocol import CanFrame
from logger.store.layout.events import Event
from replay.recording import Recording
from tests.support.adapter import Adapter
from tests.support.recorder import Recorder

LAYOUT = """
format = 1
name = "talks"
[[frame]]
name = "motion"
identifier = "0x200 + node"
length = 4
period_s = 0.01
[[frame.value]]
channel = "current_A"
byte = 0
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "temperature_housing_degC"
byte = 2
bits = 8
"""
LIMITS = """
format = 1
[[limit]]
name = "hot"
kind = "level"
severity = "{severity}"
channel = "temperature_housing_degC"
above = 70.0
"""
UNTIL = 'until = { channel = "current_A", below = 0.5, within_s = 40.0 }\n'
# Eight frames, 0.02 s apart, have left long before.
IGNORED_UNTIL = UNTIL.replace("40.0", "1.5")
STOPS_AT = 3
"""The stop frame at which a joint that heeds them stops."""


def _text(
    line: Path, *, until: str = UNTIL, send: str = "true", joints: Sequence[str] = ("a",)
) -> str:
    text = f'[bus]\ninterface = "slcan"\nchannel = "{line}"\nbitrate = 500_000\nsend = {send}\n'
    for node, name in enumerate(joints, start=1):
        text += f'[[joint]]\nname = "{name}"\nlayout = "talks"\nnode = {node}\n'
        text += '[joint.stop]\nidentifier = "0x100 + node"\ndata = "00 00"\nrepeat = 8\n'
        text += f"every_s = 0.02\n{until}"
    return text


def _settings(text: str, out: Path, *, severity: str = "trip") -> RecordSettings:
    bench: Bench = bench_from_texts(text, {"talks": LAYOUT}, where="bench.toml")
    return RecordSettings(
        bench=bench,
        where="bench.toml",
        limits=parse_limits(LIMITS.format(severity=severity), "limits.toml"),
        out=out,
        name="t",
        send_stop_on_trip=True,
    )


class _Joints:
    """Joints that report by themselves, and stop at the third stop frame if they heed them."""

    def __init__(self, count: int = 1, *, heeds: bool = True) -> None:
        self.hot = [False] * count
        self.told = [0] * count
        self._heeds = heeds

    def answer(self, frame: CanFrame) -> Iterable[CanFrame]:
        self.told[frame.identifier - 0x101] += 1
        return ()

    def talk(self) -> Iterable[CanFrame]:
        for place, hot in enumerate(self.hot):
            still = self._heeds and self.told[place] >= STOPS_AT
            current = (0 if still else 800).to_bytes(2, "little")
            data = current + bytes([75 if hot else 30, 0])
            yield CanFrame(identifier=0x201 + place, data=data)


def _events(path: Path, *kinds: str) -> list[Event]:
    return [event for event in Recording.open(path).read_events() if event.kind in kinds]


OUTCOMES = ("stop seen", "stop unseen", "raised")


def test_a_joint_that_trips_is_stopped(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """Sent at once, repeated until the current shows it, both told; recording goes on."""
    joints = _Joints()
    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk) as adapter:
        # It would be repeated for two seconds.
        text = _text(tmp_path / "line").replace("repeat = 8", "repeat = 100")
        running = Recorder(_settings(text, tmp_path / "rec"))
        time.sleep(0.4)
        assert adapter.heard == []
        joints.hot[0] = True
        until(lambda: _events(tmp_path / "rec", "stop seen"), "the stop is seen")
        (seen,) = _events(tmp_path / "rec", "stop seen")
        # What had been sent by then has arrived.
        time.sleep(0.3)
        heard = len(adapter.heard)
        # The cool-down is in the recording.
        until(
            lambda: Recording.open(tmp_path / "rec").newest_ns("a") > seen.time_ns + 800_000_000,
            "the joint is recorded while it cools down",
        )
        running.end()
        assert len(adapter.heard) == heard
    assert STOPS_AT <= heard < 100
    assert {(one.identifier, one.data) for _, one in adapter.heard} == {(0x101, b"\x00\x00")}
    recording = Recording.open(tmp_path / "rec")
    (armed,) = _events(tmp_path / "rec", "stop armed")
    assert "a (0x101)" in armed.text
    assert "no safety function" in armed.text
    (sent,) = _events(tmp_path / "rec", "stop sent")
    assert (sent.joint, sent.limit) == (seen.joint, seen.limit) == ("a", "hot")
    # How soon is measured by tests/benchmarks/test_stopping.py.
    assert 0.0 <= sent.duration_s < seen.duration_s
    assert re.search(r"stop seen after \d", seen.text)
    assert "current_A below 0.5 A" in seen.text
    assert {alert.limit for alert in recording.read_alerts()} == {"hot"}


def test_a_joint_that_ignores_it_is_an_alert(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """As often as it is said, and a trip of the joint's own in the name of the recorder."""
    joints = _Joints(heeds=False)
    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk) as adapter:
        text = _text(tmp_path / "line", until=IGNORED_UNTIL)
        running = Recorder(_settings(text, tmp_path / "rec"))
        joints.hot[0] = True
        until(lambda: len(_events(tmp_path / "rec", "raised")) == 2, "the new alert")
        running.end()
        until(lambda: len(adapter.heard) == 8, "all have arrived")
    recording = Recording.open(tmp_path / "rec")
    alert = recording.read_alerts()[1]
    assert (alert.limit, alert.joint, alert.severity) == ("stop-without-effect", "a", "trip")
    assert "1.5 s after the stop frame 0x101, sent 8 times, current_A is still 8 A" in alert.text
    assert "Stop it by other means." in alert.text
    assert alert.state_at(recording.end_ns) == "latched"
    # The alert itself is no trip that orders a stop.
    assert len(_events(tmp_path / "rec", "stop sent")) == 1


def test_two_joints_are_stopped_each_for_itself(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """The one that trips gets its frame; the other only once it trips as well."""
    joints = _Joints(2)
    text = _text(tmp_path / "line", joints=("a", "b"))
    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk) as adapter:
        running = Recorder(_settings(text, tmp_path / "rec"))
        joints.hot[1] = True
        until(lambda: _events(tmp_path / "rec", "stop seen"), "b stops")
        assert {frame.identifier for _, frame in adapter.heard} == {0x102}
        joints.hot[0] = True
        until(lambda: len(_events(tmp_path / "rec", "stop seen")) == 2, "a stops")
        running.end()
    assert [event.joint for event in _events(tmp_path / "rec", "stop seen")] == ["b", "a"]
    assert {frame.identifier for _, frame in adapter.heard} == {0x101, 0x102}


def test_without_anything_that_shows_it_it_is_sent_so_often(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """Told as sent; whether it worked nobody claims."""
    joints = _Joints()
    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk) as adapter:
        running = Recorder(_settings(_text(tmp_path / "line", until=""), tmp_path / "rec"))
        joints.hot[0] = True
        until(lambda: len(adapter.heard) == 8, "all are sent")
        time.sleep(0.3)
        running.end()
        assert len(adapter.heard) == 8
    assert len(_events(tmp_path / "rec", "stop sent")) == 1
    assert len(_events(tmp_path / "rec", *OUTCOMES)) == 1


def test_a_warning_stops_nothing(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """Only a trip does."""
    joints = _Joints()
    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk) as adapter:
        settings = _settings(_text(tmp_path / "line"), tmp_path / "rec", severity="warning")
        running = Recorder(settings)
        joints.hot[0] = True
        until(lambda: _events(tmp_path / "rec", "raised"), "the warning is raised")
        time.sleep(0.2)
        running.end()
        assert adapter.heard == []
    assert len(_events(tmp_path / "rec", "raised")) == 1


def test_an_adapter_that_is_away_at_that_moment_is_told(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """The joint falls silent with its adapter, that trips, and the frame cannot be sent."""
    joints = _Joints()
    silence = '[[limit]]\nname = "gone"\nkind = "silence"\nseverity = "trip"\nafter_s = 1.0\n'
    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk) as adapter:
        settings = _settings(_text(tmp_path / "line", until=IGNORED_UNTIL), tmp_path / "rec")
        settings = RecordSettings(
            bench=settings.bench,
            where=settings.where,
            limits=parse_limits(f"format = 1\n{silence}", "limits.toml"),
            out=settings.out,
            name="t",
            send_stop_on_trip=True,
        )
        running = Recorder(settings)
        time.sleep(0.3)
        adapter.unplug()
        until(lambda: len(_events(tmp_path / "rec", "raised")) == 2, "the new alert")
        running.end()
        assert adapter.heard == []
    alert = Recording.open(tmp_path / "rec").read_alerts()[1]
    assert alert.limit == "stop-without-effect"
    assert "0x101 could not be sent: its bus is lost" in alert.text


def test_going_on_a_stop_without_effect_is_closed(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """A recorder that was killed leaves it standing; the next one watches anew."""
    joints = _Joints(heeds=False)
    text = _text(tmp_path / "line", until=IGNORED_UNTIL)
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    (tmp_path / "talks.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "limits.toml").write_text(LIMITS.format(severity="trip"), encoding="utf-8")

    def standing() -> list[Alert]:
        alerts = Recording.open(tmp_path / "rec").read_alerts()
        return [one for one in alerts if one.limit == "stop-without-effect"]

    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk):
        process = _command(tmp_path, "--send-stop-on-trip", "--out", str(tmp_path / "rec"))
        try:
            until((tmp_path / "rec" / "recording.json").exists, "it records")
            joints.hot[0] = True
            until(lambda: len(_events(tmp_path / "rec", "raised")) == 2, "the new alert")
            time.sleep(0.3)
        finally:
            process.kill()
            process.communicate()
        joints.hot[0] = False
        settings = settings_to_resume(tmp_path / "rec", send_stop_on_trip=True)
        assert settings.send_stop_on_trip
        running = Recorder(settings)
        until(lambda: standing()[0].returned_ns is not None, "it is closed")
        running.end()
    (alert,) = standing()
    assert alert.joint == "a"


def _command(folder: Path, *options: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "dutytrace", "record", str(folder / "bench.toml")),
            *("--limits", str(folder / "limits.toml"), *options),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_only_where_it_is_asked_for(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """The command without the option sends nothing on a trip; with it, it says what it did."""
    joints = _Joints()
    (tmp_path / "bench.toml").write_text(_text(tmp_path / "line"), encoding="utf-8")
    (tmp_path / "talks.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "limits.toml").write_text(LIMITS.format(severity="trip"), encoding="utf-8")
    joints.hot[0] = True
    with Adapter(tmp_path / "line", answer=joints.answer, talk=joints.talk) as adapter:
        for name, options, wanted in (
            ("no", (), "raised"),
            ("yes", ("--send-stop-on-trip",), "stop seen"),
        ):
            out = tmp_path / name
            process = _command(tmp_path, "--out", str(out), *options)
            until((out / "recording.json").exists, "it records")
            until(lambda: _events(out, wanted), f"{wanted} is told")  # noqa: B023 - called at once
            time.sleep(0.3)
            process.send_signal(signal.SIGINT)
            said, complaints = process.communicate(timeout=30)
            assert process.returncode == 0, complaints
            assert bool(adapter.heard) is bool(options)
            assert ("Stop seen: a: stop seen after" in said) is bool(options)


REFUSED = [
    ("", "send = false", "joint 'a' has a stop frame, but its bus 'bus' has send = false"),
    ("options = { listen_only = true }\n", "send = true", "only listens (bus.options.listen_only)"),
]


@pytest.mark.parametrize(("options", "send", "sentence"), REFUSED)
def test_a_bus_that_cannot_send_is_refused(tmp_path: Path, options: str, send: str, sentence: str):
    """Before anything is opened: one sentence, nothing recorded."""
    text = _text(tmp_path / "line").replace("send = true\n", f"{send}\n{options}")
    with pytest.raises(InputError) as told:
        record(_settings(text, tmp_path / "rec"), stop=threading.Event())
    assert sentence in str(told.value)
    assert not (tmp_path / "rec").exists()


def test_a_bench_without_a_stop_frame_is_refused(tmp_path: Path):
    """The option promises something that the bench cannot keep."""
    head, _, _ = _text(tmp_path / "line").partition("[joint.stop]")
    with pytest.raises(InputError, match=r"found no \[joint.stop\] table"):
        record(_settings(head, tmp_path / "rec"), stop=threading.Event())


def test_an_identifier_that_is_in_use_is_refused(tmp_path: Path):
    """Somebody else sends the stop frame's identifier: the sentence names it."""
    talk = lambda: [CanFrame(identifier=0x101, data=b"\x01\x02")]  # noqa: E731
    with (
        Adapter(tmp_path / "line", talk=talk),
        pytest.raises(InputError, match=r"0x101.*stop frames use, is already sent by somebody"),
    ):
        record(_settings(_text(tmp_path / "line"), tmp_path / "rec"), stop=threading.Event())
    assert not (tmp_path / "rec").exists()


def test_one_who_sends_it_later_disarms_the_stop(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """An alert says so; a trip after that is told to be without a stop."""
    joints = _Joints()
    foreign: list[CanFrame] = []

    def talk() -> Iterable[CanFrame]:
        return [*joints.talk(), *([foreign.pop()] if foreign else [])]

    with Adapter(tmp_path / "line", answer=joints.answer, talk=talk) as adapter:
        running = Recorder(_settings(_text(tmp_path / "line"), tmp_path / "rec"))
        time.sleep(0.2)
        foreign.append(CanFrame(identifier=0x101, data=b"\x01"))
        until(lambda: _events(tmp_path / "rec", "refused"), "it is noticed")
        joints.hot[0] = True
        until(lambda: len(_events(tmp_path / "rec", "raised")) == 3, "all are told")
        running.end()
        assert adapter.heard == []
    limits = [alert.limit for alert in Recording.open(tmp_path / "rec").read_alerts()]
    assert limits == ["asking-stopped", "hot", "stop-without-effect"]
