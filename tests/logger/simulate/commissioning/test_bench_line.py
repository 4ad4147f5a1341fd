"""The joint on its bench as frames: in order, decoded to what it does, and on a real line."""

import threading
import time
from pathlib import Path

import can
import numpy as np
import pytest

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.simulate.commissioning.bench_files import commissioning_bench
from logger.simulate.commissioning.bench_line import BenchFrames, serve_bench
from logger.simulate.commissioning.bench_run import FRAME_PERIODS_S, BenchRun


def _batch(frames) -> FrameBatch:
    data = np.zeros((len(frames), 8), np.uint8)
    for row, (_, frame) in zip(data, frames, strict=True):
        row[: len(frame.data)] = list(frame.data)
    return FrameBatch(
        time_ns=np.rint(np.array([at_s for at_s, _ in frames]) * 1e9).astype(np.int64),
        identifier=np.array([frame.identifier for _, frame in frames], np.uint32),
        flags=np.zeros(len(frames), np.uint8),
        length=np.array([len(frame.data) for _, frame in frames], np.uint8),
        data=data,
        bus=np.zeros(len(frames), np.uint8),
    )


def test_frames_come_in_order_and_decode_to_what_the_joint_does():
    """Every kind at its period; position, set-point and mode are those of the run."""
    source = BenchFrames(BenchRun(seed=1))
    frames = list(source.frames_until(12.0))
    times = [at_s for at_s, _ in frames]
    assert times == sorted(times)
    assert len(frames) == pytest.approx(sum(12.0 / one for one in FRAME_PERIODS_S.values()), abs=4)
    decoded, _ = decode(decode_plan(commissioning_bench()), DecodeState(), _batch(frames))
    assert decoded.rejected == {}
    columns = decoded.readings[0].columns
    position = columns["position_rad"][np.isfinite(columns["position_rad"])]
    assert position[-1] == pytest.approx(source.run.state.motor_rad, abs=0.03)
    assert position[-1] > 6.0
    asked = columns["position_setpoint_rad"]
    assert np.isnan(asked[:100]).all(), "off: nothing is asked for"
    assert np.nanmax(asked) > position[-1]
    assert np.isnan(columns["torque_setpoint_Nm"]).all()
    modes = columns["state_code"]
    assert set(modes[np.isfinite(modes)].tolist()) == {0.0, 3.0}


def test_on_a_line_it_reports_by_itself(tmp_path: Path):
    """A client that only listens gets every kind, and the first scene is told."""
    link, stop, opened = tmp_path / "line", threading.Event(), threading.Event()
    happened = []
    serving = threading.Thread(
        target=serve_bench,
        kwargs={
            "link": link, "seed": 1, "clock": time.monotonic, "stopped": stop.is_set,
            "ready": lambda _link: opened.set(), "happened": happened.append,
        },
    )  # fmt: skip
    serving.start()
    try:
        assert opened.wait(30)
        with can.Bus(
            interface="slcan", channel=str(link), bitrate=1_000_000, listen_only=True,
            sleep_after_open=0.0,
        ) as bus:  # fmt: skip
            heard = {message.arbitration_id for _ in range(60) if (message := bus.recv(20.0))}
    finally:
        stop.set()
        serving.join(30)
    assert len(heard) == len(FRAME_PERIODS_S)
    assert [(one.kind, one.name) for one in happened] == [("scene", "rest")]


def test_a_seed_below_nothing_is_refused(tmp_path: Path):
    """Before a line is made."""
    with pytest.raises(InputError, match="seed: found -1"):
        serve_bench(
            link=tmp_path / "line", seed=-1, clock=time.monotonic, stopped=lambda: True,
            ready=lambda _link: None, happened=lambda _event: None,
        )  # fmt: skip
    assert not (tmp_path / "line").exists()
