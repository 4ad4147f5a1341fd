"""A recorder at its defaults sends no frame; with leave it asks, with identifiers that are free."""

import os
import select
import threading
import tty
from pathlib import Path

import can
import pytest

from logger.bus.poller import Poller
from logger.errors import InputError
from logger.joint.batch import SENT, FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import record
from logger.simulate import scenario
from logger.store.repair.post_request import submit_request
from replay.recording import Recording
from tests.support.demo_drive import HEALTH, MOTION, SET_POINTS, asking, question_id

LAYOUTS = {"harvest-joint": scenario.scenario_layout_text()}


def _bench(channel: str, *, send: str):
    text = scenario.scenario_bench_text(channel).replace(
        'interface = "slcan"', 'interface = "virtual"'
    )
    text = "\n".join(line for line in text.splitlines() if not line.startswith("options"))
    lines = [send if line.startswith("send ") else line for line in text.splitlines()]
    return bench_from_texts("\n".join(lines), LAYOUTS, where="bench.toml")


def _recorded(bench, out: Path, *, duration_s: float):
    return record(
        RecordSettings(
            bench=bench,
            where="bench.toml",
            limits=LimitSet(),
            out=out,
            name="t",
            duration_s=duration_s,
        ),
        stop=threading.Event(),
    )


def _heard(channel: str, run) -> list[can.Message]:
    with can.Bus(interface="virtual", channel=channel) as spy:
        run()
        heard = []
        while (message := spy.recv(0)) is not None:
            heard.append(message)
    return heard


@pytest.mark.parametrize("send", ["", "send = false"])
def test_nothing_is_sent_without_leave(tmp_path: Path, send: str):
    """Not one frame reaches the bus, though the layout names requests."""
    channel = f"silent-{bool(send)}"
    bench = _bench(channel, send=send)
    assert _heard(channel, lambda: _recorded(bench, tmp_path / "rec", duration_s=0.6)) == []


def test_with_leave_joints_are_asked(tmp_path: Path):
    """With send = true the layout's requests leave, and nothing else."""
    bench = _bench("asking", send="send = true")
    heard = _heard("asking", lambda: _recorded(bench, tmp_path / "rec", duration_s=0.6))
    assert {message.arbitration_id for message in heard} == {question_id(3), question_id(4)}
    assert {bytes(message.data) for message in heard} == {
        asking(kind) for kind in (MOTION, SET_POINTS, HEALTH)
    }


def test_an_identifier_in_use_is_refused(tmp_path: Path):
    """Somebody else already asks: one sentence, nothing recorded, nothing sent."""
    bench = _bench("taken", send="send = true")
    with can.Bus(interface="virtual", channel="taken") as other:
        task = other.send_periodic(
            can.Message(arbitration_id=question_id(3), data=asking(MOTION), is_extended_id=False),
            0.02,
        )
        with pytest.raises(InputError, match=rf"0x{question_id(3):X}.*already sent by"):
            _recorded(bench, tmp_path / "rec", duration_s=2.0)
        task.stop()
    assert not (tmp_path / "rec").exists()


def test_one_that_appears_later_ends_the_asking():
    """Our own echo is no stranger; a frame that we did not send is."""
    asker = Poller(_bench("later", send="send = true"), now_s=0.0)
    assert asker.due_requests(10.0)
    assert (
        asker.check_received(
            FrameBatch.from_rows([(0, question_id(3), SENT, asking(MOTION))]), now_s=10.0
        )
        is None
    )
    other = FrameBatch.from_rows([(0, question_id(3), 0, asking(MOTION))])
    assert f"0x{question_id(3):X}" in (asker.check_received(other, now_s=10.0) or "")
    asker.stop_polling()
    assert asker.due_requests(20.0) == []


@pytest.mark.parametrize("send", ["", "send = false"])
def test_a_serial_adapter_hears_no_frame_to_send(tmp_path: Path, send: str):
    """Every byte to the adapter, from opening to closing: settings, "listen only", no frame."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    text = scenario.scenario_bench_text(os.ttyname(theirs))
    lines = [send if line.startswith("send ") else line for line in text.splitlines()]
    bench = bench_from_texts("\n".join(lines), LAYOUTS, where="bench.toml")
    heard = bytearray()
    done = threading.Event()

    def adapter() -> None:
        while not done.is_set():
            if select.select([ours], [], [], 0.05)[0]:
                heard.extend(os.read(ours, 4096))
            # A joint that talks by itself, so that there is something to record.
            os.write(ours, b"t4D6560C956004F\r")

    listening = threading.Thread(target=adapter)
    listening.start()
    ended = _recorded(bench, tmp_path / "rec", duration_s=0.8)
    done.set()
    listening.join()
    os.close(ours)
    os.close(theirs)
    assert ended.frames > 0
    commands = [command for command in bytes(heard).split(b"\r") if command]
    assert b"L" in commands
    assert b"O" not in commands
    assert all(command[:1] in {b"S", b"L", b"C"} for command in commands), commands


def test_a_joint_without_requests_is_asked_nothing(tmp_path: Path):
    """Leave to send is no reason to: a layout that names no request sends none."""
    text = _bench("none", send="send = true").text
    layout = LAYOUTS["harvest-joint"]
    head, requests, frames = layout.partition("[[request]]")
    quiet = head + "[[frame]]" + (requests + frames).partition("[[frame]]")[2]
    bench = bench_from_texts(text, {"harvest-joint": quiet}, where="bench.toml")
    assert _heard("none", lambda: _recorded(bench, tmp_path / "rec", duration_s=0.4)) == []


def test_notes_and_reading_send_nothing(tmp_path: Path):
    """What a page or a command does to a live recording reaches its folder, never the bus."""
    bench = _bench("pages", send="")

    def run() -> None:
        path = tmp_path / "rec"
        begun = threading.Event()
        asking = threading.Thread(
            target=lambda: (
                begun.wait(60),
                submit_request(path, kind="note", text="t"),
                Recording.open(path).read_events(),
            )
        )
        asking.start()
        record(
            RecordSettings(
                bench=bench,
                where="bench.toml",
                limits=LimitSet(),
                out=path,
                name="t",
                duration_s=0.5,
            ),
            stop=threading.Event(),
            on_start=lambda _path: begun.set(),
        )
        asking.join()

    assert _heard("pages", run) == []
    assert any(event.kind == "note" for event in Recording.open(tmp_path / "rec").read_events())
