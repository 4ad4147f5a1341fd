"""A real Dask scheduler and its workers, each a process of its own on the loopback."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

__all__ = ["DaskCluster"]

ROOT = Path(__file__).parents[2]


class DaskCluster:
    """A scheduler, and workers that are started and killed one by one."""

    def __init__(self, folder: Path) -> None:
        """Start the scheduler and wait until it listens."""
        self._folder = folder
        told = folder / "scheduler.json"
        self._running: dict[int, subprocess.Popen[bytes]] = {}
        self.scheduler = self._start(
            "scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told)
        )
        end = time.monotonic() + 30.0
        while not told.exists() or not told.read_text("utf-8"):
            assert time.monotonic() < end, (folder / "log").read_text("utf-8")
            time.sleep(0.05)
        self.address: str = json.loads(told.read_text("utf-8"))["address"]

    def worker(self, *options: str, environment: dict[str, str] | None = None) -> int:
        """Start a worker of one thread; returns its pid."""
        place = ("--local-directory", str(self._folder))
        return self._start(
            "worker", self.address, "--nthreads", "1", "--no-nanny", *place, *options,
            environment=environment,
        )  # fmt: skip

    def kill(self, pid: int) -> None:
        """Kill one of the processes, as a machine that loses its power would."""
        process = self._running.pop(pid)
        process.send_signal(signal.SIGKILL)
        process.wait()

    def end(self) -> None:
        """Kill all that still run, by their pids."""
        for pid in reversed(list(self._running)):
            self.kill(pid)

    def _start(self, *command: str, environment: dict[str, str] | None = None) -> int:
        with (self._folder / "log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "dask", *command, "--no-dashboard"],
                stdout=log,
                stderr=log,
                cwd=self._folder,
                env={**os.environ, "PYTHONPATH": str(ROOT), **(environment or {})},
            )
        self._running[process.pid] = process
        return process.pid
