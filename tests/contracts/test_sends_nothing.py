"""A recorder at its defaults sends no frame; with leave it asks, with identifiers that are free."""

import threading
from pathlib import Path

import can
import pytest

from logger.bus.request import Asker
from logger.errors import InputError
from logger.joint.batch import SENT, FrameBatch
from logger.joint.bench import bench_from
from logger.limits.limit import LimitSet
from logger.record import RecordSettings, record
from logger.simulate import scenario

LAYOUTS = {"harvest-joint": scenario.layout_text()}


def _bench(channel: str, *, send: str):
    text = scenario.bench_text(channel).replace('interface = "slcan"', 'interface = "virtual"')
    text = "\n".join(line for line in text.splitlines() if not line.startswith("options"))
    lines = [send if line.startswith("send ") else line for line in text.splitlines()]
    return bench_from("\n".join(lines), LAYOUTS, where="bench.toml")


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
    assert {message.arbitration_id for message in heard} == {0x1C3, 0x1C4}
    assert {bytes(message.data) for message in heard} == {b"\x41", b"\x53", b"\x48"}


def test_an_identifier_in_use_is_refused(tmp_path: Path):
    """Somebody else already asks: one sentence, nothing recorded, nothing sent."""
    bench = _bench("taken", send="send = true")
    with can.Bus(interface="virtual", channel="taken") as other:
        task = other.send_periodic(
            can.Message(arbitration_id=0x1C3, data=b"\x41", is_extended_id=False), 0.02
        )
        with pytest.raises(InputError, match=r"0x1C3.*already sent by"):
            _recorded(bench, tmp_path / "rec", duration_s=2.0)
        task.stop()
    assert not (tmp_path / "rec").exists()


def test_one_that_appears_later_ends_the_asking():
    """Our own echo is no stranger; a frame that we did not send is."""
    asker = Asker(_bench("later", send="send = true"), now_s=0.0)
    assert asker.due(10.0)
    assert asker.heard(FrameBatch.of([(0, 0x1C3, SENT, b"\x41")])) is None
    assert "0x1C3" in (asker.heard(FrameBatch.of([(0, 0x1C3, 0, b"\x41")])) or "")
    asker.stop()
    assert asker.due(20.0) == []
