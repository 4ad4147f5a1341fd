"""Fits are made once, in a process of their own, and refused in words."""

import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.heat.fits import FitRequest, HeatFits, KeptFit
from dashboard.server.job_queue import JobQueue
from logger.errors import InputError
from replay.recording import Recording
from tests.support.heat_recordings import record_stepped

PATIENCE_S = 120.0


@pytest.fixture
def fits() -> Iterator[HeatFits]:
    """Give the fits of a server, whose processes end with the test."""
    stop = threading.Event()
    jobs = JobQueue(stop)
    yield HeatFits(jobs)
    stop.set()
    jobs.close(30.0)


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give two hours of load steps."""
    return record_stepped(tmp_path_factory.mktemp("fits") / "r", winding=False)[0]


def _until_made(fits: HeatFits, request: FitRequest, recording: Recording) -> KeptFit:
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        kept = fits.find(request, [recording], page="p")
        if kept is not None:
            return kept
        time.sleep(0.1)
    pytest.fail("no fit was made")


def test_a_fit_is_made_once(fits: HeatFits, stepped: Recording):
    """The first call begins it; then it is kept, and made anew only when forgotten."""
    request = FitRequest(path=stepped.path, joint="a", ambient="")
    assert fits.find(request, [stepped], page="p") is None
    kept = _until_made(fits, request, stepped)
    assert kept.fit.joint == "a"
    assert kept.until_ns == stepped.end_ns
    again = fits.find(request, [stepped], page="p")
    assert again is not None
    assert again.fit is kept.fit
    fits.forget(request)
    assert fits.find(request, [stepped], page="p") is None


def test_what_cannot_be_fitted_is_said(fits: HeatFits, stepped: Recording):
    """In one sentence that crosses from one process to the other, and again without a new fit."""
    request = FitRequest(path=stepped.path, joint="a", ambient="95degC")
    for _ in range(2):
        with pytest.raises(InputError, match=r"ambient .* above every temperature of a"):
            _until_made(fits, request, stepped)


def test_a_recording_that_went_is_said(fits: HeatFits, stepped: Recording, tmp_path: Path):
    """Removed between the question and the fit."""
    gone = tmp_path / "gone"
    shutil.copytree(stepped.path, gone)
    recording = Recording.open(gone)
    shutil.rmtree(gone)
    with pytest.raises(InputError, match="gone"):
        _until_made(fits, FitRequest(path=gone, joint="a", ambient=""), recording)
