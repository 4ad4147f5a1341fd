"""Whether a figure has changed, told with each day of a campaign that is over.

Judging months of cycles takes seconds to minutes. It is done by `dutytrace campaign` on what is
recorded so far, in a process of its own at the lowest priority; a thread here waits for its answer,
and the recorder waits for neither. The day is told whatever becomes of that, at the end at once.
"""

import contextlib
import json
import logging
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Protocol

from logger.store.layout.events import Event

__all__ = ["DayVerdict", "DayVerdicts", "JudgeProcess"]

log = logging.getLogger(__name__)

JUDGE_S: Final = 1800.0
"""So long the message about a day waits at most."""
_LOWEST_PRIORITY: Final = 19
_NOT_KNOWN: Final = "whether a figure changed is not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class DayVerdict:
    """What is said of a day."""

    text: str
    """For the end of its sentence: "nothing changed"."""
    changed: tuple[str, ...] | None
    """Figures that have changed since the campaign began; None: that is not known."""


class Judge(Protocol):
    """Judges what is recorded of a joint so far."""

    def judge(self, recording: Path, joint: str) -> DayVerdict:
        """Return the verdict; called on a thread, one at a time."""

    def stop(self) -> None:
        """Have `judge` return soon; called on another thread, once."""


class DayVerdicts:
    """Passes days that are over on, each with its verdict, in order."""

    def __init__(
        self, recording: Path, tell: Callable[[Event, tuple[str, ...] | None], None], judge: Judge
    ) -> None:
        """Start the thread; `tell` gets the event and the figures that changed, on that thread."""
        self._recording = recording
        self._tell = tell
        self._judge = judge
        self._stopping = threading.Event()
        self._days: queue.SimpleQueue[Event | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="judge", daemon=True)
        self._thread.start()

    def add_day(self, event: Event) -> None:
        """Take the event of a day that is over; returns at once."""
        self._days.put(event)

    def close(self) -> None:
        """Tell what waits without a verdict, and end."""
        self._stopping.set()
        self._judge.stop()
        self._days.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (event := self._days.get()) is not None:
            verdict = DayVerdict(text=_NOT_KNOWN, changed=None)
            if not self._stopping.is_set():
                try:
                    verdict = self._judge.judge(self._recording, event.joint)
                except Exception:  # the day is told all the same
                    log.exception("a day could not be judged")
            text = f"{event.text}, {verdict.text}"
            self._tell(replace(event, text=text), verdict.changed)


class JudgeProcess:
    """Judges by `dutytrace campaign --json`, in a process of the lowest priority."""

    def __init__(self, *, timeout_s: float = JUDGE_S) -> None:
        self._timeout_s = timeout_s
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._is_stopped = False

    def judge(self, recording: Path, joint: str) -> DayVerdict:
        """Return the verdict; where there is none, why."""
        # The same modules as the recorder's, whatever the working directory holds.
        search_path = os.pathsep.join(str(Path(entry).absolute()) for entry in sys.path)
        words = ["campaign", str(recording.absolute()), "--joint", joint, "--json"]
        with self._lock:
            if self._is_stopped:
                return DayVerdict(text=_NOT_KNOWN, changed=None)
            try:
                self._process = process = subprocess.Popen(
                    [sys.executable, "-P", "-m", "dutytrace", *words],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE,
                    # A Ctrl-C in the terminal is the recorder's to answer.
                    start_new_session=True,
                    env={**os.environ, "PYTHONPATH": search_path},
                )
            except OSError as fault:
                return _not_known(fault.strerror or str(fault))
        with contextlib.suppress(OSError, AttributeError):  # ended already; no such call
            os.setpriority(os.PRIO_PROCESS, process.pid, _LOWEST_PRIORITY)
        try:
            answer, errors = process.communicate(timeout=self._timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            return _not_known(f"it took longer than {self._timeout_s:g} s")
        return _verdict_of(answer, errors)

    def stop(self) -> None:
        """End the process that runs, if one does."""
        with self._lock:
            self._is_stopped = True
            if self._process is not None:
                self._process.kill()


def _verdict_of(answer: bytes, errors: bytes) -> DayVerdict:
    try:
        verdict = json.loads(answer)["verdict"]
        changed = verdict["changed"]
        return DayVerdict(
            text=str(verdict["text"]), changed=None if changed is None else tuple(changed)
        )
    except (ValueError, KeyError, TypeError):
        lines = errors.decode(errors="replace").strip().splitlines()
        return _not_known(lines[-1] if lines else "it gave no answer")


def _not_known(reason: str) -> DayVerdict:
    return DayVerdict(text=f"{_NOT_KNOWN} ({reason})", changed=None)
