"""Has parts made of the journals of a live recording, in a process of its own.

Making parts takes memory, which goes back to the system with the process, and Python's interpreter
lock, which receiving would have to share. A thread here waits for the process. Where the disk
fails, so does the recording; where only the process fails (killed for want of memory, say), it is
tried again and again while the rows stay in their journals, and a remark tells of it once.
"""

import errno
import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.writing.disk_thread import DiskThread
from logger.store.writing.journal import journal_files
from logger.store.writing.journal_sealing import SealOrder, Unread

__all__ = ["PartMaker", "SealJournals", "SealingInterrupted", "seal_in_process"]

FIRST_PAUSE_S: Final = 1.0
MAX_PAUSE_S: Final = 60.0
"""Between two tries; each pause is twice as long as the one before."""
NICENESS: Final = 10
"""By how much the priority of the process is below the recorder's."""
_SHORT_OF_RESOURCES: Final = frozenset((errno.ENOMEM, errno.EAGAIN, errno.EMFILE, errno.ENFILE))
"""What says nothing about the disk."""


class SealingInterrupted(Exception):
    """No parts were made, for a reason that is not the disk's; the journals are still there."""


SealJournals = Callable[[SealOrder], tuple[Unread, ...]]
"""Makes parts as `seal_journals` does; raises OSError, or SealingInterrupted."""


class PartMaker:
    """Makes parts of the journals of one recording, oldest first."""

    def __init__(self, recording: Path, seal: SealJournals) -> None:
        self._recording = recording
        self._seal = seal
        self._thread = DiskThread("seal")
        self._before = 0
        self._stopping = threading.Event()
        self.unread: queue.SimpleQueue[Unread] = queue.SimpleQueue()
        """What could not be read of the journals."""
        self.interruptions: queue.SimpleQueue[SealingInterrupted] = queue.SimpleQueue()
        """Why parts are late; the first failure of several in a row."""

    def make_parts(self, *, before: int) -> None:
        """Make parts of the journals with a number below `before`; returns at once."""
        self._before = before
        self._thread.submit(self._make_parts)

    def raise_fault(self) -> None:
        """Raise the OSError with which an earlier order ended, if one did."""
        self._thread.raise_fault()

    def wait(self) -> None:
        """Wait until all parts are made; raises OSError."""
        self._thread.wait()

    def stop(self) -> None:
        """Try nothing again, and wait for the process that runs."""
        self._stopping.set()
        self._thread.shutdown()

    def _make_parts(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stopping.is_set() and self._has_journals():
            try:
                unread = self._seal(SealOrder(recording=self._recording, before=self._before))
            except SealingInterrupted as interruption:
                if pause_s == FIRST_PAUSE_S:
                    self.interruptions.put(interruption)
                self._stopping.wait(pause_s)
                pause_s = min(2 * pause_s, MAX_PAUSE_S)
            else:
                for one in unread:
                    self.unread.put(one)
                return

    def _has_journals(self) -> bool:
        """Return whether there is anything to do: an earlier order may have done it."""
        journals = journal_files(self._recording / JOURNAL_FOLDER)
        return bool(journals) and journals[0][0] < self._before


def seal_in_process(order: SealOrder, *, lock_descriptor: int) -> tuple[Unread, ...]:
    """Seal journals as `seal_journals` does, in a process of its own; waits for its end.

    To be called on a thread that outlives the process: the kernel ends it with that thread.

    Raises
    ------
    OSError
        The disk took no more; the journals that are not in parts are still there.
    SealingInterrupted
        The process could not be started, was killed, or failed.
    """
    fields = {
        **order.to_fields(),
        "parent": os.getpid(),
        "lock": lock_descriptor,
        # At the end somebody waits for it.
        "niceness": NICENESS if order.until_ns is None else 0,
    }
    # The same modules as the recorder's, whatever the working directory holds.
    search_path = os.pathsep.join(str(Path(entry).absolute()) for entry in sys.path)
    try:
        ended = subprocess.run(
            [sys.executable, "-P", "-m", "logger.store.writing.seal_process", json.dumps(fields)],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            pass_fds=(lock_descriptor,),
            # A Ctrl-C in the terminal is the recorder's to answer.
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": search_path},
            check=False,
        )
    except OSError as fault:
        raise SealingInterrupted(f"no process could be started: {fault.strerror}") from fault
    try:
        answer = json.loads(ended.stdout)
    except ValueError:
        answer = {"reason": _reason(ended)}
    if "unread" in answer:
        return tuple(Unread(**unread) for unread in answer["unread"])
    if "errno" in answer and answer["errno"] not in _SHORT_OF_RESOURCES:
        raise OSError(answer["errno"], answer["strerror"], answer["path"])
    raise SealingInterrupted(answer.get("reason") or answer["strerror"])


def _reason(ended: "subprocess.CompletedProcess[bytes]") -> str:
    """Return why a process ended without an answer."""
    if ended.returncode < 0:
        return f"its process was ended by signal {-ended.returncode}"
    # The last line of a traceback.
    lines = ended.stderr.decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else f"its process ended with status {ended.returncode}"
