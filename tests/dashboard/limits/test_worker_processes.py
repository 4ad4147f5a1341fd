"""The worker processes of exact work: they end with the server, however that ends."""

import json
import os
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from replay.recording import Recording
from replay.tuning.executors import count_cores
from tests.support.command import ROOT

pytestmark = [
    pytest.mark.skipif(not Path("/proc/self").exists(), reason="looks for processes in /proc"),
    pytest.mark.skipif(count_cores() < 2, reason="on one core the server does the work itself"),
]

WITHIN_S = 30.0
"""How long a process may take to end after the server; the pool's own idle time is 60 s."""


def _running_members(group: int) -> set[int]:
    """Return the processes of a group that run; one that ended and waits to be read does not."""
    members = set()
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text(encoding="utf-8").rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        state, process_group = fields[0], int(fields[2])
        if process_group == group and state not in "ZX":
            members.add(int(path.parent.name))
    return members


@pytest.fixture
def server(overheat: Recording) -> Iterator["subprocess.Popen[str]"]:
    """Start a dashboard in a process group of its own; what is left of the group is killed."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dutytrace", "dashboard", "--port", "0",
         "--recordings", str(overheat.path.parent)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
    )  # fmt: skip
    yield process
    for pid in _running_members(process.pid):
        os.kill(pid, signal.SIGKILL)
    process.wait(60)
    assert process.stdout is not None
    process.stdout.close()


def _ask(url: str, body: dict[str, object] | None = None) -> dict[str, object]:
    """Return the JSON that the server answers."""
    origin = url[: url.index("/api")]
    request = urllib.request.Request(
        url,
        data=None if body is None else json.dumps(body).encode(),
        headers={"content-type": "application/json", "origin": origin},
    )
    with urllib.request.urlopen(request, timeout=30) as response:
        answer: dict[str, object] = json.loads(response.read())
        return answer


def _start_exact_work(server: "subprocess.Popen[str]", recording: str) -> tuple[str, object]:
    """Start an exact evaluation; return the routes' address and the number of the job."""
    assert server.stdout is not None
    line = server.stdout.readline()
    assert line.startswith("The pages are at "), line
    address = f"{line.removeprefix('The pages are at ').strip()}api/limits"
    table = {"name": "hot", "severity": "warning", "channel": "torque_Nm", "kind": "level",
             "above": 20.0}  # fmt: skip
    body = {"recordings": [recording], "tables": [table], "chosen": "hot", "whole": True}
    return address, _ask(f"{address}/exact", body)["number"]


@pytest.mark.parametrize(
    ("number", "while_working"),
    [
        (signal.SIGTERM, False),
        (signal.SIGINT, True),
        (signal.SIGKILL, True),
        *(
            pytest.param(number, while_working, marks=pytest.mark.slow)
            for number, while_working in (
                (signal.SIGTERM, True),
                (signal.SIGINT, False),
                (signal.SIGKILL, False),
            )
        ),
    ],
)
def test_no_worker_outlives_the_server(
    server: "subprocess.Popen[str]",
    overheat: Recording,
    until: Callable[..., None],
    number: signal.Signals,
    *,
    while_working: bool,
):
    """Told to end or killed outright, after the work or amid it: no process of it is left."""
    address, job = _start_exact_work(server, overheat.path.name)
    if while_working:
        until(lambda: len(_running_members(server.pid)) > 1, "a worker has started")
    else:
        until(lambda: _ask(f"{address}/jobs/{job}")["state"] == "done", "the work is done")
        assert len(_running_members(server.pid)) > 1
    server.send_signal(number)
    server.wait(WITHIN_S)
    deadline_s = time.monotonic() + WITHIN_S
    while left := _running_members(server.pid):
        assert time.monotonic() < deadline_s, f"{len(left)} processes are left"
        time.sleep(0.05)
