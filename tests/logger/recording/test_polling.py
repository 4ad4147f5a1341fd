"""Asking on a real byte path: what is answered, what is missed, and what is told of it."""

import time
from collections.abc import Callable, Iterable
from pathlib import Path

import pyarrow as pa
import pytest

from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from logger.simulate.line_protocol import CanFrame
from logger.store.layout.schema import BUS_SCHEMA, conform
from logger.store.repair.post_request import submit_request
from replay.recording import Recording
from tests.support.adapter import Adapter
from tests.support.recorder import Recorder

LAYOUT = """
format = 1
name = "asked"
[[request]]
name = "ask"
identifier = "0x100 + node"
data = "41"
period_s = 0.02
[[frame]]
name = "motion"
identifier = "0x200 + node"
begins = "41"
length = 3
[[frame.value]]
channel = "current_A"
byte = 1
bits = 16
"""


def _bench(
    line: Path, *, share: float = 0.3, bitrate: int = 500_000, period_s: float = 0.02
) -> Bench:
    text = (
        f'[bus]\ninterface = "slcan"\nchannel = "{line}"\nbitrate = {bitrate}\nsend = true\n'
        f"asking_share = {share}\n"
    )
    text += "".join(
        f'[[joint]]\nname = "{name}"\nlayout = "asked"\nnode = {node}\n'
        for node, name in ((1, "a"), (2, "b"))
    )
    layout = LAYOUT.replace("period_s = 0.02", f"period_s = {period_s}")
    return bench_from_texts(text, {"asked": layout}, where="bench.toml")


def _settings(bench: Bench, out: Path) -> RecordSettings:
    return RecordSettings(bench=bench, where="bench.toml", limits=LimitSet(), out=out, name="t")


class _Joints:
    """Two joints that answer; one may fail to, now and then or for good."""

    def __init__(self, misses: Callable[[int], bool] = lambda _count: False) -> None:
        self.asked = 0
        self.missed = 0
        self.off = False
        self._misses = misses

    def answer(self, frame: CanFrame) -> Iterable[CanFrame]:
        if frame.identifier == 0x101:
            self.asked += 1
            if self.off or self._misses(self.asked):
                self.missed += 1
                return ()
        return (CanFrame(identifier=frame.identifier + 0x100, data=b"\x41\x01\x00"),)


def _unanswered(path: Path) -> list[int]:
    table = Recording.open(path).read_rows("buses", start_ns=0, end_ns=2**62)
    return table["unanswered"].to_pylist()


def test_every_missed_answer_is_counted(tmp_path: Path):
    """Each third is lost: the count is exact, in the stream of the bus and for the joint."""
    # With a patience of half a second no busy machine makes an answer late.
    joints = _Joints(misses=lambda count: count % 3 == 0)
    with Adapter(tmp_path / "line", answer=joints.answer):
        bench = _bench(tmp_path / "line", period_s=0.25)
        running = Recorder(_settings(bench, tmp_path / "rec"))
        time.sleep(5.0)
        running.end()
    recording = Recording.open(tmp_path / "rec")
    (said,) = [event for event in recording.read_events() if event.kind == "unanswered"]
    stops = sum(event.kind == "standstill" for event in recording.read_events())
    # What was asked within the last half second is not judged; nor what was under way when the
    # machine stood still: of three or four requests two were missed at most.
    assert joints.missed - 1 - 2 * stops <= said.value <= joints.missed
    assert (said.joint, said.bus) == ("a", 0)
    assert "a left" in said.text
    counts = _unanswered(tmp_path / "rec")
    assert counts == sorted(counts)
    assert 4 - 2 * stops <= counts[-1] <= said.value
    assert recording.reading_count("b") >= 18 - 2 * stops


def test_a_joint_that_stops_and_comes_back_is_told_once_each(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """Three seconds of misses are an event, and so is the first answer after them."""
    joints = _Joints()
    kinds: Callable[[], list[str]] = lambda: [  # noqa: E731
        event.kind
        for event in Recording.open(tmp_path / "rec").read_events()
        if event.joint == "a" and event.kind != "unanswered"
    ]
    with Adapter(tmp_path / "line", answer=joints.answer):
        running = Recorder(_settings(_bench(tmp_path / "line"), tmp_path / "rec"))
        time.sleep(0.3)
        joints.off = True
        until(lambda: kinds() == ["no answer"], "the joint is said to be silent")
        joints.off = False
        until(lambda: kinds() == ["no answer", "answers again"], "it is said to be back")
        running.end()
    assert kinds() == ["no answer", "answers again"]


def test_what_does_not_fit_is_asked_slower_and_said(tmp_path: Path):
    """On a slow bus with a small share: an event with the numbers, and the rhythm that it names."""
    joints = _Joints()
    with Adapter(tmp_path / "line", answer=joints.answer) as adapter:
        bench = _bench(tmp_path / "line", share=0.1, bitrate=50_000)
        running = Recorder(_settings(bench, tmp_path / "rec"))
        time.sleep(2.0)
        running.end()
    (said,) = [
        e for e in Recording.open(tmp_path / "rec").read_events() if e.kind == "asked slower"
    ]
    assert "10.0% is allowed" in said.text
    assert said.bus == 0
    for number, earliest_s in enumerate(adapter.earliest_s):
        # An adapter that was held up reads at once what was sent one after the other.
        within = sum(at_s < earliest_s + 0.48 for at_s, _ in adapter.heard[number:])
        # 2,500 bits in half a second; a request and its answer take 190 at most.
        assert within <= 2500 // 180 + 2
    assert len(adapter.heard) > 25
    assert joints.missed == 0


def test_asking_that_stopped_stands_until_it_is_acknowledged(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """A trip of the recorder's own: active, and cleared once somebody has taken note."""
    foreign: list[CanFrame] = []
    joints = _Joints()
    with Adapter(
        tmp_path / "line", answer=joints.answer, talk=lambda: [foreign.pop()] if foreign else []
    ) as adapter:
        running = Recorder(_settings(_bench(tmp_path / "line"), tmp_path / "rec"))
        time.sleep(0.3)
        foreign.append(CanFrame(identifier=0x101, data=b"\x41"))
        alerts = lambda: Recording.open(tmp_path / "rec").read_alerts()  # noqa: E731
        until(alerts, "there is an alert")
        (alert,) = alerts()
        assert (alert.limit, alert.joint, alert.severity) == ("asking-stopped", "", "trip")
        assert alert.state_at(2**62) == "active"
        assert "Polling on the bus bus has stopped" in alert.text
        asked = len(adapter.heard)
        submit_request(tmp_path / "rec", kind="acknowledge", alert=alert.number, who="me")
        until(lambda: alerts()[0].state_at(2**62) == "cleared", "it is acknowledged")
        running.end()
        assert len(adapter.heard) == asked


def test_rows_of_an_older_recorder_still_read():
    """Without the column it is empty."""
    older = BUS_SCHEMA.remove(BUS_SCHEMA.get_field_index("unanswered"))
    table = conform(
        pa.Table.from_pylist([{"time": 0, "bus": 0, "lost": 3}], schema=older), BUS_SCHEMA
    )
    assert table["unanswered"].to_pylist() == [None]


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_a_share_that_is_none(share: float):
    """Nothing, or the whole bus: told with the key."""
    with pytest.raises(Exception, match="asking_share"):
        _bench(Path("line"), share=share)
