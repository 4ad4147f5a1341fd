"""How fast the data sheet of a full folder is: `make bench` prints the table.

A hundred recordings of ten joints, thirty findings of each. What a person waits for is the command,
its start included; what the page waits for is the same without it. Processor time.
"""

import os
import resource
import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dashboard.sheet.view import sheet_view
from logger.joint.bench.bench import Bench
from logger.store.layout.manifest import read_manifest
from replay.recordings_folder import find_recordings
from replay.sheet.specimens import find_specimens
from tests.benchmarks.measure import SCALE, guard_at_most, measure_cpu_s, report
from tests.support.command import ROOT
from tests.support.many_specimens import record_many_specimens

pytestmark = pytest.mark.slow

RECORDINGS = max(round(100 * SCALE), 20)
# Findings, claims and trends beside the manifests: 4x. Once each joint of each recording had its
# claims read anew from the bench file: 20x.
MOST_OF_MANIFESTS = 10.0
# The command with its start against one that reads nothing: 1.6x.
MOST_OF_A_START = 4.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder."""
    made = tmp_path_factory.mktemp("recordings")
    record_many_specimens(made, recordings=RECORDINGS)
    return made


def _command_cpu_s(*arguments: str) -> float:
    """Return the least of three: what else the machine does only adds to it."""

    def once() -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        command = [sys.executable, str(ROOT / "dutytrace.py"), *arguments]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        subprocess.run(command, check=True, capture_output=True, env=environment, timeout=600)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return min(once() for _ in range(3))


def test_the_page(folder: Path):
    """All that the route does, against reading each recording's manifest and bench once."""

    def page() -> None:
        sheet_view(find_specimens(folder), joint="", others=["A-0002"], zone=ZoneInfo("UTC"))

    def manifests() -> None:
        benches: dict[str, Bench] = {}
        for one in find_recordings(folder):
            manifest = read_manifest(one.path)
            if manifest.bench not in benches:
                benches[manifest.bench] = manifest.read_bench(str(one.path))

    spent = measure_cpu_s(page)
    report(f"data sheet of {RECORDINGS} recordings of 10 joints: the page", spent, "s")
    guard_at_most("  against their manifests", spent / measure_cpu_s(manifests), MOST_OF_MANIFESTS)


def test_the_command(folder: Path):
    """`dutytrace sheet` of the folder, against that of an empty one."""
    empty = folder.parent / "empty"
    empty.mkdir(exist_ok=True)
    spent = _command_cpu_s("sheet", "--folder", str(folder))
    report(f"data sheet of {RECORDINGS} recordings of 10 joints: the command", spent, "s")
    start = _command_cpu_s("sheet", "--folder", str(empty))
    guard_at_most("  against that of an empty folder", spent / start, MOST_OF_A_START)
