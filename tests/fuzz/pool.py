"""Runs cases in processes of their own, each with a hard time limit.

A case that hangs or ends its process costs that process and is a fault; the others go on.
"""

import multiprocessing
import resource
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Final

from tests.fuzz.corpus import Corpus, make_corpus

__all__ = ["run_cases"]

_START_S: Final = 120.0
"""Time for a worker to import the program."""
_MEMORY_BYTES: Final = 6 << 30
_REPORT_EVERY: Final = 200
_CASES_A_WORKER: Final = 1000
"""A command has its process for itself, and leaves what it kept to the end of that: 2 MB and more
of a recorder. Thousands in one process would run out of memory."""


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    pipe: "Connection[object, object]"
    number: int | None = None
    until_s: float = 0.0
    done: int = 0
    """How many cases it has run."""


def run_cases(
    folder: Path,
    *,
    seed: int,
    numbers: Iterable[int],
    jobs: int,
    limit_s: float,
    report: Callable[[str], None] = lambda _text: None,
) -> dict[int, list[str]]:
    """Run cases and return the faults of those that failed, by their number.

    Parameters
    ----------
    folder
        An empty folder to work in.
    limit_s
        Longest time of a case.
    report
        Is called with a line now and then.
    """
    (folder / "corpus").mkdir()
    make_corpus(folder / "corpus")
    waiting = list(numbers)[::-1]
    total, done = len(waiting), 0
    failed: dict[int, list[str]] = {}
    workers: list[_Worker] = []
    begun_s = time.monotonic()
    try:
        while waiting or any(worker.number is not None for worker in workers):
            while len(workers) < jobs and len(workers) < total:
                workers.append(_start_worker(folder, seed, len(workers)))
            for worker in workers:
                if worker.number is None and waiting:
                    worker.number = waiting.pop()
                    worker.pipe.send(worker.number)
                    worker.until_s += limit_s
            ready = wait([worker.pipe for worker in workers], timeout=0.5)
            for worker in list(workers):
                if worker.number is None:
                    continue
                faults = _faults_of(worker, ready=worker.pipe in ready)
                if faults is None:
                    continue
                done += 1
                if faults:
                    failed[worker.number] = faults
                    report(f"case {worker.number} failed: {faults[0][-300:]}")
                if done % _REPORT_EVERY == 0:
                    spent_s = time.monotonic() - begun_s
                    report(f"{done} of {total}, {spent_s:.0f} s, {len(failed)} failed")
                worker.number = None
                worker.until_s = time.monotonic()
                worker.done += 1
                is_spent = worker.done == _CASES_A_WORKER or faults[:1] == [_TIME_OUT]
                if is_spent or not worker.process.is_alive():
                    _end(worker)
                    workers.remove(worker)
    finally:
        for worker in workers:
            _end(worker)
    return failed


_TIME_OUT: Final = "it took longer than a case may"


def _faults_of(worker: _Worker, *, ready: bool) -> list[str] | None:
    """Return the faults of a worker's case, None while it still runs."""
    if ready:
        try:
            faults = worker.pipe.recv()
        except EOFError:
            worker.process.join()
            return [f"its process ended with {worker.process.exitcode}"]
        assert isinstance(faults, list)
        return faults
    return [_TIME_OUT] if time.monotonic() > worker.until_s else None


def _start_worker(folder: Path, seed: int, index: int) -> _Worker:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    work = folder / f"work-{index}-{time.monotonic_ns()}"
    work.mkdir()
    process = context.Process(target=_work, args=(theirs, folder, work, seed), daemon=True)
    process.start()
    theirs.close()
    return _Worker(process, ours, until_s=time.monotonic() + _START_S)


def _end(worker: _Worker) -> None:
    worker.pipe.close()
    if worker.process.is_alive():
        worker.process.kill()
    worker.process.join()


def _work(pipe: "Connection[object, object]", folder: Path, work: Path, seed: int) -> None:
    from tests.fuzz.cases import Bench  # noqa: PLC0415 - only a worker needs the program

    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
    bench = Bench(Corpus(folder / "corpus"), work)
    while True:
        try:
            number = pipe.recv()
        except EOFError:
            return
        faults, told = bench.run(seed, int(str(number)))
        pipe.send([*faults, "It did:", *told] if faults else [])
