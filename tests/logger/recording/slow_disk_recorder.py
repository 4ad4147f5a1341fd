"""A recorder on a slow disk for the tests that kill it: `python slow_disk_recorder.py`.

Reads commands, a line each: `record PATH SEED` is done by a forked child, whose pid is answered;
`wait PID` answers its status. From the moment that it records, every sync of the child takes
`SYNC_S` longer, numbered frames arrive every few milliseconds, journals are short, and other limits
are saved again and again. When each frame was sent stands in PATH.sent, which outlasts the child.
"""

import functools
import mmap
import os
import random
import struct
import sys
import threading
import time
from pathlib import Path

import can

from logger.joint.bench.bench import read_bench
from logger.limits.limit import parse_limits
from logger.recording import recorder
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import record
from logger.store.writing.flush_policy import FlushPolicy
from logger.store.writing.live_writer import RecordingWriter

SYNC_S = 1.5
SEND_S = 0.005
MOST_FRAMES = 1 << 16
BENCH = """
[bus]
interface = "virtual"
channel = "{channel}"

[[joint]]
name = "shoulder"
layout = "harvest-joint"
node = 3
"""
LIMITS = """format = 1
[[limit]]
name = "quiet"
kind = "silence"
severity = "warning"
after_s = {after_s}
"""


def _make_syncs_slow() -> None:
    for name in ("fsync", "fdatasync"):
        sync = getattr(os, name)

        def slow_sync(file: int, sync: object = sync) -> None:
            time.sleep(SYNC_S)
            sync(file)

        setattr(os, name, slow_sync)


def _send_frames(channel: str, told: mmap.mmap) -> None:
    bus = can.Bus(interface="virtual", channel=channel)
    for number in range(MOST_FRAMES):
        bus.send(can.Message(arbitration_id=0x7F0, data=struct.pack("<Q", number), is_fd=False))
        struct.pack_into("<Q", told, 8 * number, time.monotonic_ns())
        time.sleep(SEND_S)


def _save_limits(limits: Path, dice: random.Random) -> None:
    while True:
        time.sleep(dice.uniform(0.05, 0.6))
        limits.write_text(LIMITS.format(after_s=round(dice.uniform(1, 9), 3)), encoding="utf-8")


def record_until_killed(path: Path, seed: int) -> None:
    """Record frames of a thread beside it; other threads disturb."""
    dice = random.Random(seed)
    channel = path.name
    told_path, limits = path.with_suffix(".sent"), path.with_suffix(".limits.toml")
    bench = path.with_suffix(".bench.toml")
    bench.write_text(BENCH.format(channel=channel), encoding="utf-8")
    with told_path.open("w+b") as file:
        file.truncate(8 * MOST_FRAMES)
        told = mmap.mmap(file.fileno(), 0)
    limits.write_text(LIMITS.format(after_s=1.0), encoding="utf-8")
    policy = FlushPolicy(first_part_s=dice.uniform(0.1, 1.0), max_part_s=0.3)
    recorder.RecordingWriter = functools.partial(RecordingWriter, flush_policy=policy)

    def begin(_path: Path) -> None:
        _make_syncs_slow()
        for target, arguments in ((_send_frames, (channel, told)), (_save_limits, (limits, dice))):
            threading.Thread(target=target, args=arguments, daemon=True).start()

    record(
        RecordSettings(
            bench=read_bench(bench),
            where=str(bench),
            limits=parse_limits(limits.read_text(encoding="utf-8"), str(limits)),
            limits_file=limits,
            out=path,
            name="slow disk",
        ),
        stop=threading.Event(),
        on_start=begin,
    )


def main() -> None:
    """Answer commands until standard input ends."""
    for line in sys.stdin:
        command, argument, *more = line.split()
        if command == "wait":
            print(os.waitpid(int(argument), 0)[1], flush=True)  # noqa: T201 - this is its answer
            continue
        child = os.fork()
        if child == 0:
            record_until_killed(Path(argument), int(more[0]))
            os._exit(0)
        print(child, flush=True)  # noqa: T201 - this is its answer


main()
