"""Threads that run ahead of other programs: all of the process, also later ones, where allowed."""

import contextlib
import os
import threading
from pathlib import Path

import pytest

from logger.recording.thread_priority import PriorityRaiser

pytestmark = pytest.mark.skipif(
    not hasattr(os, "SCHED_RESET_ON_FORK"), reason="Linux alone knows a priority of single threads"
)


class _Scheduler:
    """Stands in for the system's calls, and keeps what they were asked."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, realtime: bool, nice: bool) -> None:
        self.realtime: dict[int, int] = {}
        self.nice: dict[int, int] = {}

        def set_scheduler(native_id: int, policy: int, param: os.sched_param) -> None:
            # What a thread starts, a process that makes parts for one, is ordinary in any case.
            assert policy & os.SCHED_RESET_ON_FORK
            if policy & os.SCHED_RR:
                if not realtime:
                    raise PermissionError
                self.realtime[native_id] = param.sched_priority

        def set_priority(_which: int, native_id: int, value: int) -> None:
            if not nice:
                raise PermissionError
            self.nice[native_id] = value

        monkeypatch.setattr(os, "sched_setscheduler", set_scheduler)
        monkeypatch.setattr(os, "setpriority", set_priority)


@pytest.fixture
def other_thread():
    """Give a thread that waits until the test is over."""
    over = threading.Event()
    thread = threading.Thread(target=over.wait)
    thread.start()
    yield thread
    over.set()
    thread.join()


def test_receiving_goes_before_the_rest(
    monkeypatch: pytest.MonkeyPatch, other_thread: threading.Thread
):
    """Each thread once; those that receive above the others."""
    system = _Scheduler(monkeypatch, realtime=True, nice=True)
    raiser = PriorityRaiser(is_wanted=True)
    raiser.raise_new_threads([other_thread])
    assert not raiser.is_refused
    own_id = threading.get_native_id()
    assert system.realtime[other_thread.native_id] > system.realtime[own_id] > 0
    assert system.nice == {}
    system.realtime.clear()
    later = threading.Thread(target=raiser.raise_new_threads)
    later.start()
    later.join()
    assert list(system.realtime) == [later.native_id]


@pytest.mark.parametrize("nice", [True, False])
def test_without_the_right_the_next_best_is_taken(monkeypatch: pytest.MonkeyPatch, nice: bool):  # noqa: FBT001 - a parameter of the test
    """No real time: a lower nice value; not that either: it says so, and asks no more."""
    system = _Scheduler(monkeypatch, realtime=False, nice=nice)
    raiser = PriorityRaiser(is_wanted=True)
    raiser.raise_new_threads()
    assert raiser.is_refused == (not nice)
    assert all(value < 0 for value in system.nice.values())
    assert bool(system.nice) == nice


def test_nothing_is_raised_that_nobody_wants(monkeypatch: pytest.MonkeyPatch):
    """A program that records by itself keeps its threads as they are."""
    system = _Scheduler(monkeypatch, realtime=True, nice=True)
    raiser = PriorityRaiser(is_wanted=False)
    raiser.raise_new_threads()
    assert system.realtime == {}
    assert not raiser.is_refused


def test_the_command_raises_itself(bench, until):
    """Its threads are of real time where the system allows it, receiving above all others."""
    try:
        os.sched_setscheduler(os.getpid(), os.SCHED_RR, os.sched_param(1))
    except PermissionError:
        pytest.skip("the system does not allow it here")
    os.sched_setscheduler(os.getpid(), os.SCHED_OTHER, os.sched_param(0))
    bench.joints()
    process, _ = bench.logger()

    def raised() -> list[int]:
        priorities = []
        for task in Path(f"/proc/{process.pid}/task").iterdir():
            # One may end between the two.
            with contextlib.suppress(ProcessLookupError):
                priorities.append(os.sched_getparam(int(task.name)).sched_priority)
        return sorted(priorities)

    # The one that receives, and at least those that write, print and wait for the end.
    until(lambda: raised()[-4:] == [1, 1, 1, 2], "its threads are raised")
