"""Joints that nobody here has seen, described in files alone: from the wire into a recording.

Three kinds on one bus, polled and driven by a controller that is not ours: answers that look like
their request, a status with faults in bits, one frame of set-points for all. Heard by a third
listener over a real socket, recorded by the real recorder, read back as a user reads it.
"""

import struct
import time
from pathlib import Path

import pandas as pd
import pytest

from logger.joint.bench.bench import read_bench
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from replay.recording import Recording
from tests.support.recorder import Recorder
from tests.support.standin import Server

ROUNDS = 40

ECHO = """
format = 1
name = "echoing"

[[request]]
name = "ask"
identifier = "0x140 + node"
data = "9C 00 00 00 00 00 00 00"
period_s = 0.02

[[frame]]
name = "motion"
identifier = "0x140 + node"
begins = "9C"
length = 8
echo_within_s = 0.005
  [[frame.value]]
  channel = "temperature_winding_degC"
  byte = 1
  bits = 8
  signed = true
  [[frame.value]]
  channel = "torque_Nm"
  byte = 2
  bits = 16
  signed = true
  unit = "per_mille"
  [[frame.value]]
  channel = "position_rad"
  byte = 6
  bits = 16
  encoder = { counts = 65536 }
  side = "motor"

[[frame]]
name = "targets"
identifier = 0x280
shared = true
length = 8
  [[frame.value]]
  channel = "torque_setpoint_Nm"
  byte = 0
  bits = 16
  signed = true
  unit = "per_mille"
  slot_bytes = 2
"""

FLOATING = """
format = 1
name = "floating"

[[frame]]
name = "status"
identifier = "(node << 8) | 0x21"
extended = true
length = 8
match = [{ byte = 0, bit = 4, bits = 4, equals = 2 }]
  [[frame.value]]
  channel = "fault_code"
  byte = 0
  bits = 4
  flags = { 0 = "over-temperature", 1 = "over-current" }
  [[frame.value]]
  channel = "speed_rad_s"
  byte = 4
  bits = 32
  order = "big"
  type = "float"
"""

BENCH = """
[bus]
interface = "socketcand"
channel = "can0"
options = {{ host = "127.0.0.1", port = {port} }}

[[joint]]
name = "left"
layout = "echoing"
node = 1
gear_ratio = 10
rated = {{ torque = 20.0 }}

[[joint]]
name = "right"
layout = "echoing"
node = 2
slot = 1
gear_ratio = 10
reversed = true
rated = {{ torque = 20.0 }}

[[joint]]
name = "third"
layout = "floating"
node = 5
"""


def _frame(number: int, payload: bytes, *, at_s: float, extended: bool = False) -> bytes:
    digits = f"{number:08X}" if extended else f"{number:03X}"
    return f"< frame {digits} {at_s:.6f} {payload.hex()} >".encode()


def _round(server: Server, number: int) -> None:
    """One round of the controller: targets, then each joint asked and answering, then a status."""
    server.send(_frame(0x280, struct.pack("<4h", 500, -250, 0, 0), at_s=time.time()))
    for node in (1, 2):
        at_s = time.time()
        pair = _frame(0x140 + node, bytes([0x9C, *[0] * 7]), at_s=at_s)
        # One answer in ten is lost on the way to us.
        if number % 10 != 3 or node == 2:
            answer = struct.pack("<BbhhH", 0x9C, 40 + node, 100 * node, 0, 400 * number)
            # So soon by its stamp, however late a busy machine would have sent it.
            pair += _frame(0x140 + node, answer, at_s=at_s + 0.0005)
        server.send(pair)
        time.sleep(0.002)
    fault = 3 if 10 <= number < 20 else 0
    status = struct.pack(">BBBBf", 0x20 | fault, 0, 0, 0, 1.5 * number)
    server.send(_frame(0x521, status, at_s=time.time(), extended=True))
    time.sleep(0.012)


@pytest.fixture
def recording(tmp_path: Path) -> Recording:
    """Record the rounds."""
    server = Server()
    (tmp_path / "echoing.toml").write_text(ECHO, encoding="utf-8")
    (tmp_path / "floating.toml").write_text(FLOATING, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH.format(port=server.port), encoding="utf-8")
    settings = RecordSettings(
        bench=read_bench(tmp_path / "bench.toml"),
        where="bench.toml",
        limits=LimitSet(),
        out=tmp_path / "rec",
        name="t",
    )
    recorder = Recorder(settings)
    try:
        assert recorder.fault is None
        for number in range(ROUNDS):
            _round(server, number)
        time.sleep(0.3)
    finally:
        ended = recorder.end()
        server.close()
    assert ended is not None
    return Recording.open(tmp_path / "rec")


def test_from_the_wire_into_a_recording(recording: Recording):
    """Every value is what was sent, requests are nobody's, faults have names."""
    status = pd.read_parquet(recording.path / "status")
    left, right, third = (status[status["joint"] == name] for name in ("left", "right", "third"))
    told = left["temperature_winding_degC"].dropna()
    # Pauses come from this side of the socket: on a machine that stood still a pair may be left
    # untold, never told wrongly.
    assert 0.6 * ROUNDS < len(told) <= 0.9 * ROUNDS
    assert set(told) == {41.0}
    assert set(left["torque_Nm"].dropna()) == {2.0}
    assert set(right["torque_Nm"].dropna()) == {-4.0}
    assert set(right["temperature_winding_degC"].dropna()) == {42.0}
    assert set(left["torque_setpoint_Nm"].dropna()) == {10.0}
    assert set(right["torque_setpoint_Nm"].dropna()) == {5.0}
    assert third["speed_rad_s"].dropna().tolist() == [1.5 * number for number in range(ROUNDS)]
    faults = [event.text for event in recording.read_events() if event.kind == "fault"]
    assert faults == [
        "third: fault over-temperature, over-current (0x3).",
        "third: no fault any more.",
    ]
