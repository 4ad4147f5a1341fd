"""A writer of numbered rows for the tests that kill it: `python numbered_writer.py`.

Reads commands, a line each: `write PATH` and `seal PATH`. Each is done by a forked child, whose pid
is answered; how far the child has flushed stands in PATH.flushed, which outlasts it. Rows move on
far faster than in life, so that a kill at random meets every step of sealing.
"""

import mmap
import os
import struct
import sys
import time
from pathlib import Path

import numpy as np

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.manifest import new_manifest
from logger.store.repair.recovery import seal
from logger.store.writing.flush_policy import FlushPolicy
from logger.store.writing.live_writer import RecordingWriter

START_NS = 1_795_000_000_000_000_000
STEP_NS = 1_000_000
ROWS = 20
BENCH = scenario.scenario_bench(channel="x")
HASTY = FlushPolicy(flush_s=0.0, sync_s=0.05, first_part_s=0.02, max_part_s=0.1)


def write(path: Path) -> None:
    """Append numbered rows to every kind of stream until killed."""
    with path.with_suffix(".flushed").open("w+b") as file:
        file.truncate(8)
        told = mmap.mmap(file.fileno(), 8)
    manifest = new_manifest(BENCH, name="numbered", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=time.monotonic(), flush_policy=HASTY)
    row = 0
    while True:
        number = np.arange(row, row + ROWS)
        time_ns = START_NS + number * STEP_NS
        writer.append_frames(
            FrameBatch.from_rows(
                [
                    (int(t), 0x100, 0, struct.pack("<Q", n))
                    for t, n in zip(time_ns, number, strict=True)
                ]
            )
        )
        writer.append_readings(
            ReadingBatch(
                joint="elbow",
                time_ns=time_ns,
                position_segment=np.full(ROWS, -1, np.int32),
                columns={"temperature_housing_degC": number * 1e-3},
            )
        )
        writer.append_events(
            [Event(sequence=row // ROWS, time_ns=int(time_ns[0]), kind="note", text=str(row))]
        )
        row += ROWS
        writer.tick(time.monotonic())
        told[:] = struct.pack("<Q", row)
        time.sleep(0.0005)


def main() -> None:
    """Answer commands until standard input ends."""
    commands = {"write": write, "seal": seal}
    for line in sys.stdin:
        command, _, path = line.strip().partition(" ")
        if command == "wait":
            print(os.waitpid(int(path), 0)[1], flush=True)  # noqa: T201 - this is its answer
            continue
        child = os.fork()
        if child == 0:
            commands[command](Path(path))
            os._exit(0)
        print(child, flush=True)  # noqa: T201 - this is its answer


main()
