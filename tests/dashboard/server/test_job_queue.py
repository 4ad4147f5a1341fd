"""Work that takes long: one piece at a time, looked after, stopped, and never lost in silence."""

import threading
import time
from collections.abc import Callable

import pytest

from dashboard.server.job_queue import JobContext, JobQueue
from logger.errors import InputError
from tests.support.web import wait_until


@pytest.fixture
def toil():
    """Give a worker that ends with the test."""
    stop = threading.Event()
    yield JobQueue(stop)
    stop.set()


def _until(toil: JobQueue, number: int, holds: Callable[[dict], bool]) -> dict:
    end = time.monotonic() + 60
    while not holds(told := toil.job_to_json(number)):
        assert time.monotonic() < end, told
        time.sleep(0.02)
    return told


def _over(told: dict) -> bool:
    return told["state"] not in {"waiting", "running"}


def test_a_piece_is_done_and_told(toil: JobQueue):
    """Its share grows, and its result stands at the end."""

    def work(means: JobContext) -> dict[str, object]:
        means.progress(0.5)
        return {"found": 7}

    told = _until(toil, toil.submit("page", work), _over)
    assert told["state"] == "done"
    assert told["result"] == {"found": 7}
    assert told["share"] == 0.5


def test_a_newer_piece_of_the_same_page_takes_its_place(toil: JobQueue):
    """The one before is stopped; those of other pages wait for their turn."""

    def endless(means: JobContext) -> dict[str, object]:
        assert means.stop.wait(60)
        return {"kept": True}

    first = toil.submit("one", endless)
    _until(toil, first, lambda told: told["state"] == "running")
    other = toil.submit("two", lambda _: {})
    assert toil.job_to_json(other)["state"] == "waiting"
    second = toil.submit("one", lambda _: {})
    assert _until(toil, first, _over)["state"] == "stopped"
    assert _until(toil, second, _over)["state"] == "done"
    assert _until(toil, other, _over)["state"] == "done"


def test_what_waits_can_be_stopped(toil: JobQueue):
    """A piece that has not begun is not begun any more."""
    running = toil.submit("one", lambda means: {"was": means.stop.wait(60)})
    _until(toil, running, lambda told: told["state"] == "running")
    waiting = toil.submit("two", lambda _: pytest.fail("it was stopped"))
    toil.cancel(waiting)
    assert toil.job_to_json(waiting)["state"] == "stopped"
    toil.cancel(running)
    assert _until(toil, running, _over)["result"] == {"was": True}


def test_a_fault_is_a_sentence(toil: JobQueue):
    """What was wrong about the question is told; a fault of the program says where to look."""

    def mistaken(_: JobContext) -> dict[str, object]:
        raise InputError("limit: found nothing.")

    def broken(_: JobContext) -> dict[str, object]:
        raise ZeroDivisionError

    assert _until(toil, toil.submit("a", mistaken), _over)["fault"] == "limit: found nothing."
    told = _until(toil, toil.submit("b", broken), _over)
    assert told["state"] == "failed"
    assert "terminal" in told["fault"]


def test_what_nobody_knows():
    """A number that was never given is no piece."""
    assert JobQueue(threading.Event()).job_to_json(5) is None


def test_it_works_on_after_a_worker_died(toil: JobQueue):
    """Its processes are started anew: the next piece is done as well."""

    def kills(means: JobContext) -> dict[str, object]:
        assert means.executor is not None
        for process in list(means.executor._processes.values()):
            process.kill()
        # Who submits before the executor has noticed meets it amid the work.
        assert wait_until(lambda: means.executor._broken)
        return {}

    def counts(means: JobContext) -> dict[str, object]:
        assert means.executor is not None
        return {"sum": sum(means.executor.map(abs, [-1, -2]))}

    # Started only when something is given to them.
    assert _until(toil, toil.submit("a", counts), _over)["result"] == {"sum": 3}
    assert _until(toil, toil.submit("a", kills), _over)["state"] == "done"
    assert _until(toil, toil.submit("a", counts), _over)["result"] == {"sum": 3}


def test_what_is_kept_of_results_is_small(toil: JobQueue):
    """Results of megabytes that nobody asks for any more do not pile up in memory."""
    points = [f"candidate {n}: housing-warm.above = {60 + n / 1000}" for n in range(20_000)]
    number = toil.submit("page", lambda _: {"points": points})
    assert _until(toil, number, _over)["result"] == {"points": points}
    kept = toil._jobs[number].result
    assert len(kept) < sum(map(len, points)) / 5


def test_one_task_takes_one_process(toil: JobQueue):
    """None is started to ask whether there is one: each loads this program once more."""

    def counts(means: JobContext) -> dict[str, object]:
        assert means.executor is not None
        means.executor.submit(abs, -1).result()
        return {"processes": len(means.executor._processes)}

    for _ in range(2):
        assert _until(toil, toil.submit("a", counts), _over)["result"] == {"processes": 1}
