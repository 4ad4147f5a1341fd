"""Listening: frames of real interfaces become figures, and not one frame is ever sent."""

import math
import os
import select
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager

import can
import pytest

from logger.bus import source as source_file
from logger.bus.listen import ListenResult, capture_buses
from logger.bus.source import Source
from logger.errors import InputError, OutsideFault
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate import scenario
from tests.support.demo_drive import HEALTH, answer_id, asking, health_answer, question_id

LAYOUTS = {"harvest-joint": scenario.scenario_layout_text()}
REPORT = health_answer(24)


def _bench(*, interface: str, channel: str) -> Bench:
    """Return the demo's bench, which says send = true and whose joints are asked."""
    text = scenario.scenario_bench_text(channel).replace('"slcan"', f'"{interface}"')
    if interface != "slcan":
        text = text.replace("options   = { sleep_after_open = 0.0 }", "")
    return bench_from_texts(text, LAYOUTS, where="bench.toml")


def _listened(bench: Bench, *, for_s: float, stop: threading.Event | None = None) -> ListenResult:
    return capture_buses(bench, where="bench.toml", for_s=for_s, stop=stop or threading.Event())


def test_frames_of_a_bus_become_figures():
    """Two joints that somebody else asks: their periods, and who was asked; nothing is sent."""
    with can.Bus(interface="virtual", channel="talking") as joints:
        tasks = [
            joints.send_periodic(
                can.Message(arbitration_id=number, data=data, is_extended_id=False), 0.02
            )
            for number, data in (
                (answer_id(3), REPORT),
                (answer_id(4), REPORT),
                (question_id(3), asking(HEALTH)),
            )
        ]
        heard = _listened(_bench(interface="virtual", channel="talking"), for_s=0.8)
        for task in tasks:
            task.stop()
        assert joints.recv(0) is None
    (bus,) = heard.buses
    # Senders that a busy machine holds up have stopped, or left a request without its answer.
    late = ("Stopped while", "Requests without an answer")
    assert all(hint.startswith(late) for hint in bus.health.hints), bus.health.hints
    assert 0.8 <= heard.span_s < 20.0
    told = {one.identifier: one for one in bus.health.statistics.messages}
    assert {number: one.role for number, one in told.items()} == {
        question_id(3): "request",
        answer_id(3): "joint",
        answer_id(4): "joint",
    }
    # A machine that is busy sends late, and then catches up; it is not the figure that is off.
    assert 0.005 <= (told[answer_id(3)].period_s or 0.0) <= 0.05


def test_a_quiet_bus_of_joints_that_are_asked():
    """Nothing at all, and in words that nothing was asked."""
    bench = _bench(interface="virtual", channel="quiet")
    heard = _listened(bench, for_s=0.1)
    assert heard.buses[0].health.statistics.frames == 0
    assert [hint[:7] for hint in heard.buses[0].health.hints] == ["Nothing", "shoulde"]
    assert not heard.healthy


def test_stopped_early():
    """Ctrl-C ends it with what was heard."""
    stop = threading.Event()
    threading.Timer(0.3, stop.set).start()
    begun_s = time.monotonic()
    heard = _listened(_bench(interface="virtual", channel="early"), for_s=60.0, stop=stop)
    assert time.monotonic() - begun_s < 20.0
    assert heard.span_s < 20.0


def test_a_bus_that_cannot_be_opened_gives_the_others_back():
    """One sentence; the first bus is free again."""
    text = (
        '[[bus]]\nname = "a"\ninterface = "virtual"\nchannel = "free"\n'
        '[[bus]]\nname = "b"\ninterface = "slcan"\nchannel = "/nowhere/line"\n'
        '[[joint]]\nname = "shoulder"\nbus = "a"\nlayout = "harvest-joint"\nnode = 3\n'
    )
    with pytest.raises(InputError, match="cannot open '/nowhere/line'"):
        _listened(bench_from_texts(text, LAYOUTS, where="bench.toml"), for_s=1.0)


def test_a_receiver_that_fails_is_a_sentence(monkeypatch: pytest.MonkeyPatch):
    """What no adapter should do ends with its cause, and not as a quiet bus."""
    bench = _bench(interface="virtual", channel="broken")
    calls = []

    def receive(source: object, wait_s: float) -> object:
        calls.append(wait_s)
        if len(calls) > 1:
            raise RuntimeError("no such thing")
        return original(source, wait_s)

    original = Source.receive
    monkeypatch.setattr(Source, "receive", receive)
    with pytest.raises(OutsideFault, match=r"listening failed \(RuntimeError: no such thing\)"):
        _listened(bench, for_s=60.0)


def test_what_waited_before_does_not_count(monkeypatch: pytest.MonkeyPatch):
    """Frames from before the listening began would make a burst of its first moment."""
    opened = []

    def open_bus(*_: object) -> can.BusABC:
        bus = can.Bus(interface="virtual", channel="waited")
        with can.Bus(interface="virtual", channel="waited") as other:
            for _count in range(50):
                other.send(
                    can.Message(arbitration_id=answer_id(3), data=REPORT, is_extended_id=False)
                )
        opened.append(bus)
        return bus

    monkeypatch.setattr(source_file, "open_bus", open_bus)
    heard = _listened(_bench(interface="virtual", channel="waited"), for_s=0.1)
    assert len(opened) == 1
    assert heard.buses[0].health.statistics.frames == 0


@contextmanager
def _adapter(
    heard: bytearray, *, frames: float = math.inf, gone: threading.Event | None = None
) -> Iterator[str]:
    """Give the terminal of an adapter on which the shoulder talks by itself.

    It goes after so many frames that a client could hear, and says `gone` a second later.
    """
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    name = os.ttyname(theirs)
    done = threading.Event()

    def run() -> None:
        said = 0
        while not done.is_set() and said < frames:
            if select.select([ours], [], [], 0.01)[0]:
                heard.extend(os.read(ours, 4096))
            os.write(ours, b"t4D6560C956004F\r")
            said += b"L\r" in heard
        os.close(theirs)
        os.close(ours)
        if gone is not None:
            done.wait(1.0)
            gone.set()

    running = threading.Thread(target=run)
    running.start()
    try:
        yield name
    finally:
        done.set()
        running.join()


def test_a_serial_adapter_is_opened_silent_and_hears_no_frame_to_send():
    """Though the bench says send = true: its bit rate, "listen only", closing, nothing else."""
    said = bytearray()
    with _adapter(said) as channel:
        bench = _bench(interface="slcan", channel=channel)
        assert bench.buses[0].send
        heard = _listened(bench, for_s=0.6)
    commands = [command for command in bytes(said).split(b"\r") if command]
    assert b"L" in commands
    assert {command for command in commands if command != b"L"} <= {b"S8", b"C"}
    figures = heard.buses[0].health.statistics
    assert figures.frames > 5
    assert figures.silent == ("elbow",)
    # The sentence speaks of what the bench file says, not of how it was opened here.
    assert "since the bench file says send = true" in heard.buses[0].health.hints[-1]


def test_an_adapter_that_goes_meanwhile_is_told():
    """Unplugged: said once, with what was heard until then, and not healthy."""
    gone = threading.Event()
    with _adapter(bytearray(), frames=30, gone=gone) as channel:
        heard = _listened(_bench(interface="slcan", channel=channel), for_s=60.0, stop=gone)
    assert heard.buses[0].is_away
    assert not heard.healthy
    assert [kind for kind, _ in heard.remarks] == ["bus lost"]
    assert heard.buses[0].health.statistics.frames > 5
