"""What several suites share: recordings made once, and the joints as a process of their own."""

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.heat.fit import HeatFit, fit_heat
from replay.recording import Recording
from tests.support.depth import is_full_depth
from tests.support.heat_recordings import record_stepped
from tests.support.warm_process import WarmProcess

# How long an example takes tells how busy the machine is, and nothing of what is tested. The quick
# suite draws the same examples each time: what fails has been changed. `make slow` draws others.
settings.register_profile(
    "busy",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=not is_full_depth(),
)
settings.load_profile("busy")

START_NS = 1_795_000_000_000_000_000


@pytest.fixture(scope="session")
def overheat(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Half an hour of the simulated joints with one overheat, recorded like any other."""
    out = tmp_path_factory.mktemp("made") / "overheat"
    hours = 0.5
    import_frames(
        simulate_frames(hours=hours, rate_Hz=20.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=20.0),
        limits=parse_limits(scenario.scenario_limits_text(), "limits.toml"),
        out=out,
        name="Overheat",
        start_ns=START_NS,
        end_ns=START_NS + int(hours * 3600e9),
        simulated=True,
    )
    return Recording.open(out)


@pytest.fixture(scope="session")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, HeatFit]:
    """Two hours of load steps of a joint with winding, housing and room, and their fit."""
    recording, _ = record_stepped(tmp_path_factory.mktemp("stepped") / "r")
    return recording, fit_heat([recording], "a")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Make studies and soaks slow as well, so that `not slow` is the quick suite."""
    for item in items:
        if item.get_closest_marker("study") or item.get_closest_marker("soak"):
            item.add_marker("slow")


class Bench:
    """The simulated joints behind a serial line, and loggers that record them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.line = folder / "line"
        self.bench = folder / "bench.toml"
        self.limits = folder / "limits.toml"
        self.recordings = folder / "recordings"
        self.bench.write_text(scenario.scenario_bench_text(str(self.line)), encoding="utf-8")
        self.limits.write_text(scenario.scenario_limits_text(), encoding="utf-8")
        self._running: list[WarmProcess] = []

    def start(self, *command: str) -> WarmProcess:
        """Start a Python module as a process of its own; it is ended with the test."""
        process = WarmProcess(*command, env=dict(os.environ))
        self._running.append(process)
        return process

    def joints(self) -> WarmProcess:
        """Start the joints, and wait until they can be reached."""
        process = self.start("logger.simulate", "--link", str(self.line), "--seed", "2")
        assert process.stdout is not None
        assert process.stdout.readline().startswith("ready")
        return process

    def logger(self, *options: str) -> tuple[WarmProcess, Path]:
        """Start a logger, and wait until it records; returns it and its recording."""
        process = self.start(
            "dutytrace", "record", str(self.bench), "--limits", str(self.limits),
            "--recordings", str(self.recordings), *options,
        )  # fmt: skip
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line.startswith("Recording into "), line + process.stdout.read()
        return process, Path(line.removeprefix("Recording into ").strip())

    def processes(self) -> list[WarmProcess]:
        """Return what was started, in order."""
        return self._running

    def end(self) -> None:
        """End every process that was started, by its pid."""
        for process in reversed(self._running):
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                try:
                    process.wait(15)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
            if process.stdout is not None:
                process.stdout.close()


@pytest.fixture(scope="session")
def standing_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Give a bench whose processes end with the last test: what they serve, many tests look at."""
    made = Bench(tmp_path_factory.mktemp("standing"))
    yield made
    made.end()


@pytest.fixture(scope="module")
def module_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Give a bench whose processes end with the tests of a file."""
    made = Bench(tmp_path_factory.mktemp("bench"))
    yield made
    made.end()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give a bench with simulated joints, ended with the test."""
    made = Bench(tmp_path)
    yield made
    made.end()


@pytest.fixture
def until() -> Callable[[Callable[[], object], str], None]:
    """Wait until something holds; fail with a sentence after a generous while."""

    def wait(holds: Callable[[], object], what: str, *, within_s: float = 40.0) -> None:
        end = time.monotonic() + within_s
        while not holds():
            assert time.monotonic() < end, f"not within {within_s:.0f} s: {what}"
            time.sleep(0.1)

    return wait
