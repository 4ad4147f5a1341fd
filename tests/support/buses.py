"""A recording of two buses with everything on them that a page of buses has to show."""

from pathlib import Path
from typing import Final

import numpy as np

from logger.event_kind import EventKind
from logger.joint.batch import ERROR, FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.store.layout.events import Event
from logger.store.layout.manifest import new_manifest
from logger.store.layout.schema import BUS_SCHEMA, HEALTH_SCHEMA, table_of_rows
from logger.store.writing.live_writer import RecordingWriter
from logger.traffic.frame_length import bus_load, frame_bits

__all__ = ["LENGTH_S", "START_NS", "S", "asking_bus", "bench", "two_buses"]

S: Final = 1_000_000_000
START_NS: Final = 1_795_000_000 * S
LENGTH_S: Final = 180
_LAYOUT: Final = """
format = 1
name = "plain"
[[frame]]
name = "status"
identifier = "0x280 + node"
length = 8
period_s = 0.01
  [[frame.value]]
  channel = "temperature_housing_degC"
  byte = 0
  bits = 8
"""
_BENCH: Final = """
[[bus]]
name = "left"
interface = "socketcan"
channel = "can0"
bitrate = 500_000
[[bus]]
name = "right"
interface = "socketcan"
channel = "can1"
bitrate = 1_000_000
[[joint]]
name = "shoulder"
bus = "left"
layout = "plain"
node = 3
[[joint]]
name = "wrist"
bus = "left"
layout = "plain"
node = 4
[[joint]]
name = "elbow"
bus = "right"
layout = "plain"
node = 3
"""


def bench() -> Bench:
    """Return the bench: shoulder and wrist on the left bus, elbow on the right."""
    return bench_from_texts(_BENCH, {"plain": _LAYOUT}, where="bench.toml")


def _second(at_s: int, rng: np.random.Generator) -> dict[int, FrameBatch]:
    """Return what was heard in a second, for each bus.

    Left: shoulder at 100 Hz, the wrist's identifier with too few bytes at 2 Hz, one of no joint at
    10 Hz, and from 60 s to 63 s five error frames each second. Right: elbow at 100 Hz, away from
    90 s to 100 s.
    """
    begin = START_NS + at_s * S
    left = [
        (begin + k * S // 100 + int(rng.normal(0, 50_000)) + S // 500, 0x283, 0, b"\x30" * 8)
        for k in range(100)
    ]
    left += [(begin + k * S // 2 + 7_000_000, 0x284, 0, b"\x30" * 3) for k in range(2)]
    left += [(begin + k * S // 10 + 3_300_000, 0x7A1, 0, b"\x01\x02") for k in range(10)]
    if 60 <= at_s < 63:
        left += [(begin + k * S // 5 + 900_000, 0x08, ERROR, b"\0" * 8) for k in range(5)]
    right = [] if 90 <= at_s < 100 else [
        (begin + k * S // 100 + 2_500_000, 0x283, 0, b"\x28" * 8) for k in range(100)
    ]  # fmt: skip
    return {0: FrameBatch.from_rows(sorted(left), bus=0), 1: FrameBatch.from_rows(right, bus=1)}


def two_buses(path: Path, *, each_bus: bool = True, end: bool = True) -> RecordingWriter:
    """Write the recording; from 120 s on, 128 frames were lost on the left bus.

    Parameters
    ----------
    each_bus
        False: as a recorder wrote it that told nothing of single buses.
    end
        False: it goes on being written, and its caller closes it.
    """
    the_bench = bench()
    manifest = new_manifest(the_bench, name="Two buses", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, the_bench, now_s=0.0)
    rng = np.random.default_rng(5)
    for at_s in range(LENGTH_S):
        heard = _second(at_s, rng)
        both = FrameBatch.concatenate(list(heard.values()))
        writer.append_frames(both.select_rows(np.argsort(both.time_ns, kind="stable")))
        end_ns = START_NS + (at_s + 1) * S
        lost = 128 if at_s >= 120 else 0
        rows = [
            {
                "time": end_ns,
                "bus": place,
                "frames_per_s": float(len(frames)),
                "load": bus_load(
                    frame_bits(frames), bitrate=(500_000, 1_000_000)[place], span_s=1.0
                ),
                "error_frames": int(np.count_nonzero(frames.flags & ERROR)),
                "remote_frames": 0,
                "lost": lost if place == 0 else 0,
                "garbled": 0,
            }
            for place, frames in heard.items()
        ]
        if each_bus:
            writer.append_rows("buses", table_of_rows(rows, BUS_SCHEMA))
        fared = {
            "time": end_ns,
            "frames_per_s": float(len(both)),
            "bus_load": max(float(row["load"]) for row in rows),  # type: ignore[arg-type]
            "dropped": lost,
            "undecoded": 12 * (at_s + 1),
            "disk_left_h": 40.0,
        }
        writer.append_rows("health", table_of_rows([fared], HEALTH_SCHEMA))
        writer.tick(float(at_s))
    told = (
        (0.0, None, EventKind.STARTED, "Recording started."),
        (62.0, 0, EventKind.BUS_HINT, "can0: 5 error frames beside 112 frames: a loose plug?"),
        (90.0, 1, EventKind.BUS_LOST, "The bus can1 went away: no such device. Trying again."),
        (100.0, 1, EventKind.BUS_BACK, "The bus can1 is back after 10.0 s."),
        (120.0, 0, EventKind.DROPPED, "128 frames were lost on the bus can0: the writer lagged."),
    )
    writer.append_events(
        [
            Event(
                sequence=number,
                time_ns=START_NS + round(at_s * S),
                kind=kind,
                bus=bus,
                text=text,
                value=128.0 if kind == EventKind.DROPPED else float("nan"),
            )
            for number, (at_s, bus, kind, text) in enumerate(told)
        ]
    )
    if end:
        writer.close(ended_ns=START_NS + LENGTH_S * S, cause="stopped")
    else:
        writer.tick(float(LENGTH_S))
    return writer


def asking_bus(path: Path) -> None:
    """Write a minute of one bus that is asked; from 20 s to 25 s three requests a second fail."""
    asked = bench_from_texts(
        _BENCH.partition('[[bus]]\nname = "right"')[0]
        + 'send = true\n[[joint]]\nname = "shoulder"\nlayout = "plain"\nnode = 3\n',
        {"plain": _LAYOUT},
        where="bench.toml",
    )
    manifest = new_manifest(asked, name="Asked", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, asked, now_s=0.0)
    for at_s in range(60):
        row = {
            "time": START_NS + (at_s + 1) * S, "bus": 0, "frames_per_s": 100.0, "load": 0.02,
            "error_frames": 0, "remote_frames": 0, "lost": 0, "garbled": 0,
            "unanswered": 3 * min(max(at_s - 19, 0), 5),
        }  # fmt: skip
        writer.append_frames(FrameBatch.from_rows([(START_NS + at_s * S, 0x283, 0, b"\x30" * 8)]))
        writer.append_rows("buses", table_of_rows([row], BUS_SCHEMA))
        writer.tick(float(at_s))
    writer.close(ended_ns=START_NS + 60 * S, cause="stopped")
