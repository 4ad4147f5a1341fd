"""The joint in the machine: turns to and fro on vcan0 and tells each of its cycles; stdlib only.

    python joint.py TERMINAL RECORDING

Runs as root where the recorder's service runs. A line at the terminal for each thing that the
outside has to know, with the wall clock in nanoseconds: "cycle N TIME", "tick TIME" five times a
second, "late TIME" where it was held up, "recording TIME" once a recorder of this boot records.
"stop" read there stops the service as a person would, and switches off.
"""

import math
import os
import socket
import struct
import subprocess
import sys
import termios
import time
import tty
from pathlib import Path

RATE_HZ = 25.0
CYCLE_S = 1.0
IDENTIFIER = 0x10
LATE_S = 0.3


def _payload(phase: float, run_s: float) -> bytes:
    turn = 2.0 * math.pi * phase
    position = math.sin(turn) + 0.15 * math.sin(2.0 * turn)
    speed = (math.cos(turn) + 0.3 * math.cos(2.0 * turn)) * 2.0 * math.pi / CYCLE_S
    torque = 4.0 * math.cos(turn) + 0.5
    warm = 40.0 + 10.0 * (1.0 - math.exp(-run_s / 300.0))
    values = (position / 0.001, speed / 0.01, torque / 0.01, warm / 0.1)
    return struct.pack("<4h", *(round(value) for value in values))


def main(terminal: str, recording: str) -> None:
    """Turn until the power goes."""
    line = os.open(terminal, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(line, termios.TCSANOW)

    def tell(text: str) -> None:
        os.write(line, f"{text} {time.time_ns()}\n".encode())

    bus = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    bus.bind(("vcan0",))
    begun_s, begun_wall_s = time.monotonic(), time.time()
    cycle = ticks = 0
    next_s, told_recording, heard = begun_s, False, b""
    tell("begun")
    while True:
        time.sleep(max(0.0, next_s - time.monotonic()))
        now_s = time.monotonic()
        if now_s - next_s > LATE_S:
            tell("late")
            next_s = now_s
        next_s += 1.0 / RATE_HZ
        run_s = now_s - begun_s
        if int(run_s / CYCLE_S) != cycle:
            cycle = int(run_s / CYCLE_S)
            tell(f"cycle {cycle}")
        payload = _payload(run_s / CYCLE_S % 1.0, run_s)
        bus.send(struct.pack("<IB3x8s", IDENTIFIER, len(payload), payload))
        if int(run_s * 5.0) != ticks:
            ticks = int(run_s * 5.0)
            tell("tick")
            if not told_recording:
                told_recording = _is_recording(recording, begun_wall_s)
                if told_recording:
                    tell("recording")
            try:
                heard += os.read(line, 100)
            except BlockingIOError:
                continue
            if b"stop" in heard:
                break
    stopped = subprocess.Popen(["systemctl", "stop", "dutytrace-campaign"])
    tell(f"stopped {stopped.wait(300)}")
    os.sync()
    tell("off")
    subprocess.run(["systemctl", "poweroff", "--force", "--force"], check=False)


def _is_recording(recording: str, since_s: float) -> bool:
    """Return whether a recorder of this boot has begun or resumed the recording."""
    try:
        return (Path(recording) / "recording.json").stat().st_mtime > since_s
    except OSError:
        return False


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
