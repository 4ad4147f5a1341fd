"""What most benches cost: small batches, stage by stage, and the demo's recorder as a process.

Two joints at 100 Hz, eleven limits: some 26 frames every 0.1 s. The picture is drawn by Python's
own profiler, which makes each call look dearer than it is: it says where the time goes. How much
there is stands above it, measured without. Calls do not depend on what else the machine does.
"""

import cProfile
import dataclasses
import os
import pstats
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType
from typing import Any, Final

import numpy as np
import pytest

from logger.bus.clock import ClockSample
from logger.bus.merger import WatermarkMerger
from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.joint.batch import FrameBatch
from logger.joint.decode import decode
from logger.joint.decode.dispatch import dispatch_frames
from logger.limits.limit import parse_limits
from logger.recording import pipeline as pipeline_module
from logger.recording.frame_queue import FrameQueue
from logger.recording.housekeeping import Housekeeping
from logger.recording.pipeline import Pipeline
from logger.recording.polling import Polling
from logger.recording.record_settings import RecordSettings
from logger.recording.writer import Writer
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout import schema
from logger.store.layout.manifest import new_manifest
from logger.store.writing.flush_policy import FlushPolicy
from logger.store.writing.journal import JournalWriter
from logger.store.writing.live_writer import RecordingWriter
from logger.traffic.per_second import TrafficCounter
from logger.traffic.response_tracker import response_plan
from tests.benchmarks.measure import ROUNDS, START_NS, guard_at_most, report

pytestmark = pytest.mark.slow

MS: Final = 1_000_000
BATCH_NS: Final = 100 * MS
BATCHES: Final = 300
# See DEVELOPERS.md for what they are.
MOST_CALLS: Final = 4000.0
MOST_WAKES: Final = 600.0

_STAGES: Final[tuple[tuple[str, Callable[..., Any]], ...]] = (
    ("merged by time: add", WatermarkMerger.add_frames),
    ("merged by time: take", WatermarkMerger.take_until_watermark),
    ("traffic kept for its second", TrafficCounter.add_frames),
    ("answers matched to requests", Polling.match_answers),
    ("pipeline, all of it", Pipeline.process),
    ("  frames as rows", schema.frames_table),
    ("  decoded", decode.decode),
    ("  readings as rows", schema.ReadingsTable.rows),
    ("  rows into the journal", JournalWriter.append_rows),
    ("  limits", Pipeline._evaluate),
    ("once a second: rows", Pipeline.record_seconds),
    ("once a second: all of it", Writer._record_seconds),
    ("inbox, limits file", Housekeeping.do_due),
    ("flushed", RecordingWriter.tick),
)


def _seal_nothing(_order: object) -> tuple[()]:
    return ()


def _batches() -> list[Received]:
    """Return half a minute of the demo's joints: what they answered and what they were asked."""
    bench = scenario.scenario_bench(channel="x")
    plan = response_plan(bench, bus=0)
    frames = FrameBatch.concatenate(
        list(simulate_frames(hours=BATCHES / 36_000, rate_Hz=100.0, seed=7, start_ns=START_NS))
    )
    numbers, _ = dispatch_frames(plan.dispatch, frames)
    request_of = {
        match: number
        for number, request in enumerate(plan.requests)
        for match in request.response_numbers
    }
    is_answer = np.isin(numbers, list(request_of))
    frames, numbers = frames.select_rows(is_answer), numbers[is_answer]
    batches = []
    for index in range(BATCHES):
        start_ns = START_NS + index * BATCH_NS
        first, last = np.searchsorted(frames.time_ns, [start_ns, start_ns + BATCH_NS])
        rows = slice(int(first), int(last))
        asked = [
            (request_of[number], time_ns - MS)
            for number, time_ns in zip(
                numbers[rows].tolist(), frames.time_ns[rows].tolist(), strict=True
            )
        ]
        batches.append(
            Received(
                frames=frames.select_rows(rows),
                until_ns=start_ns + BATCH_NS,
                sent_requests=tuple(asked),
            )
        )
    return batches


def _writer(path: Path) -> tuple[Writer, FrameQueue, RecordingWriter]:
    bench = scenario.scenario_bench(channel="x")
    limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
    store = RecordingWriter(
        path,
        new_manifest(bench, name="bench", started_ns=START_NS),
        bench,
        now_s=time.monotonic(),
        flush_policy=FlushPolicy(flush_s=0.0, first_part_s=1e6, seal=_seal_nothing),
    )
    pipe = dataclasses.replace(FrameQueue.for_buses(1), queue=_unbounded())
    clock = ClockSample(boottime_ns=0, monotonic_ns=0, wall_ns=START_NS)
    settings = RecordSettings(bench=bench, where="bench", limits=limits, out=path, name="bench")
    pollers = [Poller(bench, now_s=0.0)]
    writer = Writer(settings, store, pipe, pollers, anchor=clock, started_ns=START_NS)
    return writer, pipe, store


def _unbounded() -> Any:
    return FrameQueue.for_buses(BATCHES).queue


def _run(path: Path, batches: list[Received], profile: cProfile.Profile | None = None) -> float:
    """Return the processor time of one batch in us: the writing thread's own loop over all."""
    writer, pipe, store = _writer(path)
    for received in batches:
        pipe.queue.put(received)
    pipe.received_all.set()
    try:
        before_s = time.thread_time()
        if profile is not None:
            profile.enable()
        writer.run()
        if profile is not None:
            profile.disable()
        return (time.thread_time() - before_s) / len(batches) * 1e6
    finally:
        store.abandon()


def _profiled(profile: cProfile.Profile, function: Callable[..., Any]) -> tuple[float, float]:
    """Return the time in us and the calls of a function with all that it calls, a batch."""
    code: CodeType = function.__code__
    stats = pstats.Stats(profile).stats  # type: ignore[attr-defined] - typeshed lacks it
    key = (code.co_filename, code.co_firstlineno, code.co_name)
    if key not in stats:
        return 0.0, 0.0
    calls, _, _, spent_s, _ = stats[key]
    return spent_s / BATCHES * 1e6, calls / BATCHES


def test_one_small_batch(tmp_path: Path):
    """From the queue to the journal: how long a batch takes, and where it goes."""
    assert pipeline_module.decode is decode.decode
    batches = _batches()
    frames = sum(len(received.frames) for received in batches) / len(batches)
    report("small batch: frames of two joints at 100 Hz in 0.1 s", frames, "frames")
    _run(tmp_path / "warm", batches)
    cost_us = statistics.median(
        _run(tmp_path / f"round-{round_}", batches) for round_ in range(ROUNDS)
    )
    report("small batch: the writing thread, a batch", cost_us, "us")
    profile = cProfile.Profile()
    _run(tmp_path / "profiled", batches, profile)
    for name, function in _STAGES:
        spent_us, calls = _profiled(profile, function)
        report(f"   profiled: {name}, {calls:.3g} a batch", spent_us, "us")
    calls = sum(entry.callcount for entry in profile.getstats()) / len(batches)  # type: ignore[attr-defined] - of C
    guard_at_most("small batch: calls of functions, a batch", calls, MOST_CALLS, "calls")


@pytest.fixture
def demo_recorder(tmp_path: Path) -> "Iterator[subprocess.Popen[str]]":
    """Start the demo's joints and its recorder, each a process; it has begun to record."""
    line = tmp_path / "line"
    (tmp_path / "bench.toml").write_text(scenario.scenario_bench_text(str(line)))
    layout = tmp_path / f"{scenario.SCENARIO_LAYOUT}.toml"
    layout.write_text(scenario.scenario_layout_text())
    (tmp_path / "limits.toml").write_text(scenario.scenario_limits_text())
    started: list[subprocess.Popen[str]] = []

    def start(arguments: list[str], ready_text: str) -> "subprocess.Popen[str]":
        environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
        process = subprocess.Popen(
            [sys.executable, "-m", *arguments], stdout=subprocess.PIPE, text=True, env=environment
        )
        started.append(process)
        assert process.stdout is not None
        assert ready_text in process.stdout.readline()
        return process

    try:
        start(["logger.simulate", "--link", str(line), "--seed", "7"], "ready")
        record = ["dutytrace", "record", str(tmp_path / "bench.toml"), "--recordings"]
        limits = ["--limits", str(tmp_path / "limits.toml")]
        yield start([*record, str(tmp_path), *limits], "Recording into")
    finally:
        for process in reversed(started):
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=30)


def _process_figures(pid: int) -> tuple[float, int]:
    """Return the processor time of a process's threads in s, and how often they went to sleep."""
    spent_s, sleeps = 0.0, 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        spent_s += int((task / "schedstat").read_text().split()[0]) / 1e9
        for line in (task / "status").read_text().splitlines():
            if line.startswith("voluntary_ctxt_switches"):
                sleeps += int(line.split()[1])
    return spent_s, sleeps


@pytest.mark.skipif(not Path("/proc/self/schedstat").exists(), reason="of Linux")
def test_the_demos_recorder(demo_recorder: "subprocess.Popen[str]"):
    """The whole process: share of a core, wakes a second, and what it weighs."""
    span_s = 15.0
    time.sleep(5.0)
    spent_s, sleeps = _process_figures(demo_recorder.pid)
    begun_s = time.monotonic()
    time.sleep(span_s)
    spent_after_s, sleeps_after = _process_figures(demo_recorder.pid)
    passed_s = time.monotonic() - begun_s
    report("demo's recorder: share of a core", (spent_after_s - spent_s) / passed_s * 100, "%")
    rollup = Path(f"/proc/{demo_recorder.pid}/smaps_rollup").read_text()
    sizes = dict(line.split(":") for line in rollup.splitlines()[1:])
    for name in ("Rss", "Pss"):
        report(f"demo's recorder: {name}", int(sizes[name].split()[0]) / 1000, "MB")
    wakes = (sleeps_after - sleeps) / passed_s
    guard_at_most("demo's recorder: wakes a second", wakes, MOST_WAKES, "wakes")
