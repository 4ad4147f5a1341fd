"""A recorder that follows a plan, for the tests that kill it: `python campaign_recorder.py FOLDER`.

Reads commands, a line each: `begin SEED` is done by a forked child, whose pid is answered, and
which runs `dutytrace record BENCH --plan PLAN --continue REC` as a service would; `wait PID`
answers its status. The joint turns by the steady clock, whether or not somebody records: its frame
n comes at n / RATE_HZ, and carries n.
"""

import functools
import math
import os
import random
import struct
import sys
import threading
import time
from pathlib import Path

import can

import dutytrace
from logger.recording import recorder
from logger.store.writing.live_writer import FlushPolicy, RecordingWriter

RATE_HZ = 100.0
CYCLE_FRAMES = 50
LONGEST_S = 600.0
BENCH = """
[bus]
interface = "virtual"
channel = "killed"
[[joint]]
name = "shoulder"
layout = "turned"
node = 1
"""
LAYOUT = """
format = 1
name = "turned"
[[frame]]
name = "status"
identifier = 0x10
length = 8
hold_s = 0.5
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 16
signed = true
scale = 0.001
[[frame.value]]
channel = "torque_Nm"
byte = 2
bits = 16
signed = true
scale = 0.01
"""


def position_of(number: int) -> float:
    """Return the position in rad that frame `number` carries."""
    turn = 2.0 * math.pi * (number % CYCLE_FRAMES) / CYCLE_FRAMES
    return round(-1000.0 * (math.cos(turn) + 0.1 * math.cos(2.0 * turn))) / 1000


def payload(number: int) -> bytes:
    """Return frame `number`: a cycle begins where the position rises through zero."""
    turn = 2.0 * math.pi * (number % CYCLE_FRAMES) / CYCLE_FRAMES
    torque = 3.0 * math.sin(turn) + 0.1 * (number // CYCLE_FRAMES % 7)
    return struct.pack("<hhI", round(position_of(number) * 1000), round(torque * 100), number)


def number_of(data: bytes) -> int:
    """Return the number that a frame carries."""
    return int(struct.unpack("<hhI", data)[2])


def _turn(begun_s: float) -> None:
    bus = can.Bus(interface="virtual", channel="killed")
    number = math.ceil((time.monotonic() - begun_s) * RATE_HZ)
    while number < LONGEST_S * RATE_HZ:
        time.sleep(max(0.0, begun_s + number / RATE_HZ - time.monotonic()))
        bus.send(can.Message(arbitration_id=0x10, data=payload(number), is_extended_id=False))
        number += 1


def _record(folder: Path, seed: int, begun_s: float) -> None:
    dice = random.Random(seed)
    policy = FlushPolicy(first_part_s=dice.uniform(2.0, 30.0), max_part_s=30.0)
    recorder.RecordingWriter = functools.partial(RecordingWriter, flush_policy=policy)
    # What it keeps of the class itself.
    recorder.RecordingWriter.resume = functools.partial(RecordingWriter.resume, flush_policy=policy)
    threading.Thread(target=_turn, args=(begun_s,), daemon=True).start()
    sys.stdout = (folder / "said.txt").open("a", encoding="utf-8")
    sys.argv = [
        *("dutytrace", "record", str(folder / "bench.toml"), "--plan", str(folder / "plan.toml")),
        *("--continue", str(folder / "rec")),
    ]
    sys.exit(dutytrace.main())


def main() -> None:
    """Answer commands until standard input ends."""
    folder, begun_s = Path(sys.argv[1]), time.monotonic()
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    (folder / "turned.toml").write_text(LAYOUT, encoding="utf-8")
    for line in sys.stdin:
        command, argument = line.split()
        if command == "wait":
            print(os.waitpid(int(argument), 0)[1], flush=True)  # noqa: T201 - this is its answer
            continue
        child = os.fork()
        if child == 0:
            try:
                _record(folder, int(argument), begun_s)
            finally:
                sys.stdout.flush()
                os._exit(0 if sys.exc_info()[0] in {None, SystemExit} else 1)
        print(child, flush=True)  # noqa: T201 - this is its answer


if __name__ == "__main__":
    main()
