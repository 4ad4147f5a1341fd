"""Four full 1 Mbit/s buses for a minute, paced by the clock: `make bench` prints what it takes.

The run is void when the sender lags. A stand-in on the loopback takes the place of the kernel's CAN
sockets; everything behind it is the recorder as `dutytrace record` runs it. What is guarded is that
no frame is lost. The share of a core has no peer: test_recorder.py guards what a frame costs.
"""

import subprocess
import sys
import time
from pathlib import Path
from typing import Final

import pytest

from logger.bus import source as source_file
from logger.bus.kernel_frames import enlarge_buffer
from logger.joint.bench.bench import BusSettings, bench_from_texts
from logger.limits.limit import parse_limits
from logger.recording.record_settings import RecordSettings
from logger.simulate import scenario
from replay.check import check_recording
from replay.recording import Recording
from tests.benchmarks.measure import report
from tests.support.recorder import Recorder
from tests.support.standin import bus_on, pair

pytestmark = pytest.mark.slow

BUSES: Final = 4
RATE_HZ: Final = 8000
SPAN_S: Final = 60
TICK_S: Final = 0.005
_SENDER: Final = """
import socket, struct, sys, time
ports = [int(port) for port in sys.argv[1].split(",")]
rate, span, tick = (float(word) for word in sys.argv[2:])
ends = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in ports]
for end, port in zip(ends, ports):
    end.connect(("127.0.0.1", port))
frame = struct.Struct("=IBBBB8s")
begun, count, most = time.monotonic(), 0, 0.0
for turn in range(round(span / tick)):
    due = begun + turn * tick
    late = time.monotonic() - due
    most = max(most, late)
    if late < 0:
        time.sleep(-late)
    for _ in range(round(rate * tick)):
        payload = b"\\x20\\x20\\0\\x10" + count.to_bytes(2, "little") + b"\\0\\0"
        sent = frame.pack(0x4D6, 6, 0, 0, 0, payload)
        for end in ends:
            end.send(sent)
        count = (count + 3) % 20000
print(most)
"""


def test_four_full_buses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Nothing is lost; the share of one core that it takes is printed."""
    senders, receivers = zip(*(pair() for _ in range(BUSES)), strict=True)
    for receiver in receivers:
        enlarge_buffer(receiver)

    def open_bus(settings: BusSettings, _where: str):
        return bus_on(receivers[int(settings.channel)])

    monkeypatch.setattr(source_file, "open_bus", open_bus)
    text = "".join(
        f'[[bus]]\nname = "bus-{one}"\ninterface = "socketcan"\nchannel = "{one}"\n'
        f'bitrate = 1_000_000\n[[joint]]\nname = "joint-{one}"\nbus = "bus-{one}"\n'
        'layout = "harvest-joint"\nnode = 3\ngear_ratio = 9.0\n'
        'torque = { from = "current", per_ampere = 1.62 }\n'
        for one in range(BUSES)
    )
    bench = bench_from_texts(
        text, {"harvest-joint": scenario.scenario_layout_text()}, where="bench.toml"
    )
    limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
    settings = RecordSettings(
        bench=bench, where="bench.toml", limits=limits, out=tmp_path / "rec", name="four"
    )
    running = Recorder(settings)
    ports = ",".join(str(receiver.getsockname()[1]) for receiver in receivers)
    before = time.process_time()
    sender = subprocess.run(
        [sys.executable, "-c", _SENDER, ports, str(RATE_HZ), str(SPAN_S), str(TICK_S)],
        capture_output=True,
        text=True,
        check=True,
    )
    spent = time.process_time() - before
    time.sleep(1.0)
    running.end(within_s=60)
    for end in (*senders, *receivers):
        end.close()
    late_s = float(sender.stdout)
    if late_s > 0.1:
        pytest.skip(f"void: the sender lagged by {late_s:.2f} s")
    found = check_recording(Recording.open(tmp_path / "rec"))
    sent = BUSES * RATE_HZ * SPAN_S
    report("four full buses for 60 s: frames lost", sent - found.frames, f"of {sent}")
    report("   of one core", spent / SPAN_S, "x")
    assert found.frames == sent
    assert found.dropped == 0
