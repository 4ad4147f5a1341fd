"""How late requests and stop frames are while other processes take every core.

    python -m tests.benchmarks.busy_machine [SECONDS] [BUSY LOOPS]

A recorder as its own process, asking two simulated joints at 100 Hz with the demo's limits and a
trip every third of a second, beside busy loops. Printed: by how much requests came too late, as the
joints saw them; how long stop frames took; how often the position began anew; what the recorder
cost. The figures are the machine's as well as the program's: compare two runs of the same minutes.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.event_kind import EventKind
from logger.simulate import scenario
from replay.recording import Recording

ROOT: Final = Path(__file__).parents[2]
STOP: Final = '[joint.stop]\nidentifier = 0x103\ndata = "00"\nrepeat = 1\n\n'
TRIP: Final = """
[[limit]]
name = "trips"
kind = "level"
severity = "trip"
joint = "shoulder"
channel = "temperature_housing_degC"
above = 100.0
"""


def measure(seconds: float, loops: int) -> dict[str, Any]:
    """Return the figures of one run."""
    with tempfile.TemporaryDirectory(prefix="dutytrace-busy-") as folder:
        place = Path(folder)
        bench = scenario.scenario_bench_text(str(place / "line"))
        head, first, rest = bench.partition("[[joint]]")
        shoulder, second, elbow = rest.partition("[[joint]]")
        (place / "bench.toml").write_text(
            head + first + shoulder.rstrip() + "\n" + STOP + second + elbow, encoding="utf-8"
        )
        (place / "harvest-joint.toml").write_text(scenario.scenario_layout_text(), encoding="utf-8")
        (place / "limits.toml").write_text(scenario.scenario_limits_text() + TRIP, encoding="utf-8")
        joints = _start("tests.benchmarks.busy_joints", place / "line", place / "seen.json")
        _wait_for(place / "line")
        recorder = _start(
            *("dutytrace", "record", place / "bench.toml", "--limits", place / "limits.toml"),
            *("--send-stop-on-trip", "--out", place / "rec"),
        )
        _wait_for(place / "rec")
        busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(loops)]
        try:
            time.sleep(2.0)
            before_s, began_s = _cpu_s(recorder.pid), time.monotonic()
            before = _threads(recorder.pid)
            time.sleep(seconds)
            span_s = time.monotonic() - began_s
            cpu = (_cpu_s(recorder.pid) - before_s) / span_s
            threads = {
                thread: (now - before.get(thread, 0.0)) / span_s
                for thread, now in _threads(recorder.pid).items()
            }
        finally:
            for process in (*busy, recorder):
                process.terminate()
                process.wait(60)
            joints.terminate()
            joints.wait(20)
        seen = json.loads((place / "seen.json").read_text(encoding="utf-8"))
        recording = Recording.open(place / "rec")
        events = recording.read_events()
        kinds = [event.kind for event in events]
        return {
            **_figures(seen, began_s, span_s),
            "positions_lost": kinds.count(EventKind.POSITION_LOST),
            "standstills_s": [
                round(event.duration_s, 2) for event in events if event.kind == EventKind.STANDSTILL
            ],
            "cpu": round(cpu, 3),
            "wakes_per_s": round(sum(rates[2] for rates in threads.values())),
            **{
                f"thread {thread}": f"runs {rates[0]:.3f}, waits for a core {rates[1]:.3f}, "
                f"wakes {rates[2]:.0f}/s"
                for thread, rates in threads.items()
                if rates[2] >= 1
            },
        }


def _figures(seen: dict[str, Any], began_s: float, span_s: float) -> dict[str, Any]:
    late: list[np.ndarray] = []
    for times in seen["requests_s"].values():
        gaps = np.diff([at for at in times if began_s <= at <= began_s + span_s])
        late.append(gaps - np.median(gaps))
    late_ms = np.concatenate(late) * 1e3
    stops_ms = np.array(seen["stops_s"]) * 1e3
    return {
        "requests": len(late_ms),
        "late_ms_99_999_worst": np.percentile(late_ms, [99, 99.9, 100]).round(1).tolist(),
        "over_100_ms": int((late_ms > 100).sum()),
        "stops": len(stops_ms),
        "stop_ms_50_99_worst": np.percentile(stops_ms, [50, 99, 100]).round(1).tolist(),
    }  # fmt: skip


def _start(module: str, *arguments: object) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        [sys.executable, "-m", module, *map(str, arguments)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
    )


def _wait_for(path: Path) -> None:
    until_s = time.monotonic() + 30.0
    while not path.exists():
        if time.monotonic() > until_s:
            raise TimeoutError(str(path))
        time.sleep(0.05)


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _threads(pid: int) -> dict[int, np.ndarray]:
    """Return of each thread: seconds on a core, seconds waiting for one, times it went to sleep."""
    threads = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        run_ns, wait_ns, _ = map(int, (task / "schedstat").read_text(encoding="utf-8").split())
        status = (task / "status").read_text(encoding="utf-8")
        slept = int(status.partition("\nvoluntary_ctxt_switches:")[2].split()[0])
        threads[int(task.name) - pid] = np.array([run_ns / 1e9, wait_ns / 1e9, slept])
    return threads


if __name__ == "__main__":
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    loops = int(sys.argv[2]) if len(sys.argv) > 2 else 4
    for what, figure in measure(seconds, loops).items():
        print(f"{what}: {figure}")  # noqa: T201 - what it is for
