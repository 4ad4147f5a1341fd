"""A real browser and a real server for the dashboard's tests."""

import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from replay.recording import Recording
from tests.support import many_joints
from tests.support.browser import chromium, installed, required
from tests.support.crowded import crowded_recording


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Start an installed Chromium; without one skip, saying so, or fail under CI."""
    path = installed()
    if path is None:
        reason = "no Chrome or Chromium is installed: install one to run the browser tests"
        if required():
            pytest.fail(reason)
        pytest.skip(reason)
    with chromium(path) as started:
        yield started


@pytest.fixture(scope="session")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Ten minutes that crowd a picture: long labels, breaks in a position, chatter, notes."""
    return Recording.open(crowded_recording(tmp_path_factory.mktemp("made") / "crowded"))


@pytest.fixture(scope="session")
def four_arms(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Record half a minute of 24 joints on four buses, alone in its folder."""
    folder = tmp_path_factory.mktemp("many") / "recordings"
    folder.mkdir()
    return many_joints.record_joints(folder / "four-arms", length_s=30, rate_Hz=5.0)


def _start_dashboard(bench: Any, folder: object, *options: str) -> str:
    process = bench.start(
        "dutytrace", "dashboard", "--recordings", str(folder), "--port", "0", *options
    )
    line = process.stdout.readline()
    assert line.startswith("The pages are at "), line
    return line.removeprefix("The pages are at ").strip().rstrip("/")


@pytest.fixture
def serve(bench) -> Callable[..., str]:
    """Start `dutytrace dashboard` over a folder; returns its address."""
    return partial(_start_dashboard, bench)


@pytest.fixture(scope="session")
def serve_once(standing_bench) -> Callable[[Path], str]:
    """Serve a folder that no test changes, from one process for all that look at it."""
    return cache(partial(_start_dashboard, standing_bench))


@pytest.fixture(scope="module")
def live_address(module_bench) -> str:
    """Serve the joints of a file's bench, which are recorded; gives the address."""
    module_bench.joints()
    module_bench.logger()
    return _start_dashboard(module_bench, module_bench.recordings)


@pytest.fixture(scope="session")
def nothing_recorded(serve_once, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Serve a folder without a recording; gives the address."""
    return serve_once(tmp_path_factory.mktemp("nothing"))


@pytest.fixture
def get() -> Callable[..., tuple[int, str]]:
    """Ask an address; returns status and text, whatever the status is."""

    def ask(address: str, headers: dict[str, str] | None = None) -> tuple[int, str]:
        request = urllib.request.Request(address, headers=headers or {})
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as fault:
            with fault:
                return fault.code, fault.read().decode()

    return ask
