"""Lengths, load and rhythm against what real bus interfaces wrote down.

The logs are those in the source distribution of python-can 4.6.1 (LGPL-3.0, `test/data`). They are
fetched from the package index, never copied into this repository; without an index the tests are
skipped and say so.
"""

import re
import subprocess
import sys
import tarfile
from pathlib import Path

import can
import numpy as np
import pytest

from logger.bus.opening import to_batch
from logger.joint.bench.bench import bench_from_texts
from logger.traffic.frame_length import frame_bits, stuff_bits
from logger.traffic.health import bus_health

WANTED = "python-can==4.6.1"
ARCHIVE = "python_can-4.6.1.tar.gz"
BENCH = """
[bus]
interface = "virtual"
bitrate = {bitrate}
[[joint]]
name = "wheel"
layout = "mine"
"""
LAYOUT = """
format = 1
name = "mine"
[[frame]]
name = "count"
identifier = "0x64"
length = 4
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 8
"""


@pytest.fixture(scope="module")
def logs(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of logs, fetched once and kept in pytest's cache."""
    cache = getattr(request.config, "cache", None)
    kept = Path(cache.mkdir("python-can")) if cache else tmp_path_factory.mktemp("kept")
    archive = kept / ARCHIVE
    if not archive.exists():
        aside = tmp_path_factory.mktemp("fetched")
        command = [
            sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check",
            "--retries", "0", "--timeout", "10", "--no-deps", "--no-binary", "python-can",
            "--dest", str(aside), WANTED,
        ]  # fmt: skip
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        except subprocess.TimeoutExpired:
            pytest.skip(f"the source distribution {WANTED} did not come within a minute")
        if done.returncode != 0:
            why = (done.stderr.strip().splitlines() or ["pip says nothing"])[-1]
            pytest.skip(f"the source distribution {WANTED} cannot be had: {why}")
        (aside / ARCHIVE).replace(archive)
    folder = tmp_path_factory.mktemp("logs")
    with tarfile.open(archive) as packed:
        for member in packed.getmembers():
            name = Path(member.name)
            if name.parent.parts[1:] == ("test", "data") and name.suffix == ".asc":
                unpacked = packed.extractfile(member)
                assert unpacked is not None
                (folder / name.name).write_bytes(unpacked.read())
    return folder


def _counted(path: Path) -> dict[tuple[float, int], tuple[int, int, bool]]:
    """Return by stamp and identifier what hardware wrote: bits, duration in ns, sent."""
    line = re.compile(
        r"^\s*(?P<stamp>[\d.]+) \d+ +(?P<number>[0-9A-F]+)x? +(?P<way>[RT]x) +d .*"
        r"Length = (?P<length>\d+) BitCount = (?P<bits>\d+)"
    )
    found = map(line.match, path.read_text("utf-8").splitlines())
    return {
        (float(one["stamp"]), int(one["number"], 16)): (
            int(one["bits"]),
            int(one["length"]),
            one["way"] == "Tx",
        )
        for one in found
        if one
    }


def _read(path: Path) -> list[can.Message]:
    with can.ASCReader(path) as reader:
        return list(reader)


def test_lengths_are_those_that_hardware_counted(logs: Path):
    """Thirteen of fourteen lines to the bit; sent frames last bits x 2 us at 500 kbit/s."""
    odd, compared, sent = [], 0, 0
    for name in ("logfile.asc", "issue_1299.asc"):
        counted = _counted(logs / name)
        for message in _read(logs / name):
            written = counted.get((message.timestamp, message.arbitration_id))
            if written is None:
                continue
            batch = to_batch([message])
            # The wire carries the length code, which one of these has as 13.
            coded = 13 if message.arbitration_id == 0x3FF else message.dlc
            batch.length[0] = coded
            bits, length_ns, is_sent = written
            compared += 1
            if frame_bits(batch)[0] != bits:
                odd.append((message.arbitration_id, int(frame_bits(batch)[0]), bits, length_ns))
            elif is_sent:
                sent += 1
                # A duration ends with the frame, a length with the space of 3 bits behind it.
                assert abs((bits - 3) * 2000 - length_ns) <= 16
    assert (compared, sent) == (14, 4)
    # Its own duration, 240.015 us = 120 bits, agrees with us and not with its own count.
    assert odd == [(0x6F9, 123, 124, 240_015)]


@pytest.mark.parametrize(("bitrate", "load"), [(500_000, 0.0339007598), (1_000_000, 0.0169503799)])
def test_load_and_rhythm_of_a_real_bus(logs: Path, bitrate: int, load: float):
    """1457 frames in 7.94 s: 134595 bits of which 11036 stuffed; 0x64 comes every 10 ms.

    The figures were computed by code that shares nothing with this project.
    """
    frames = to_batch(list(_read(logs / "issue_1256.asc")))
    assert int(frame_bits(frames).sum()) == 134_595
    assert int(stuff_bits(frames).sum()) == 11_036
    bench = bench_from_texts(BENCH.format(bitrate=bitrate), {"mine": LAYOUT}, where="bench.toml")
    (bus,) = bus_health(
        frames, bench, start_ns=int(frames.time_ns[0]), end_ns=int(frames.time_ns[-1])
    )
    assert bus.statistics.load == pytest.approx(load, rel=1e-8)
    assert bus.statistics.frames_per_s == pytest.approx(183.489011, rel=1e-8)
    assert len(bus.statistics.messages) == len(np.unique(frames.identifier)) == 6
    wheel = next(one for one in bus.statistics.messages if one.identifier == 0x64)
    assert (wheel.joints, wheel.frame, wheel.count) == (("wheel",), "count", 795)
    assert wheel.period_s == pytest.approx(0.01, abs=5e-5)
    assert bus.statistics.undecoded == {"identifier of no joint": 1457 - 795}
