"""live.lock: one writer for a recording, visible to every reader.

The lock is the kernel's (flock), so it ends with the process, however that ends; the file holds the
writer's pid for people and messages. A reader only tests the lock.
"""

import contextlib
import fcntl
import os
import time
from pathlib import Path
from types import TracebackType
from typing import Final

from logger.errors import InputError, OutsideFault
from logger.outside_text import read_regular
from logger.store.layout.files import LOCK_FILE, is_outside_fault

__all__ = ["WriteLock", "await_orphan", "check_not_written", "writer_pid"]

TEST_S: Final = 0.2
UNSIGNED_S: Final = 2.0
ORPHAN_S: Final = 10.0
"""How long a lock of a process that runs, of nobody known or of one that is gone is waited for."""


class WriteLock:
    """The right to write into a recording, held until `release`."""

    def __init__(self, recording: Path) -> None:
        """Take the lock.

        Raises
        ------
        InputError
            Another process writes this recording, or it cannot be written.
        OutsideFault
            The disk took not even the lock.
        """
        self._path = path = recording / LOCK_FILE
        try:
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NONBLOCK, 0o644)
        except OSError as fault:
            kind = OutsideFault if is_outside_fault(fault) else InputError
            raise kind(
                f"{recording}: the recording cannot be written ({fault.strerror})."
            ) from None
        timeout = _LockTimeout()
        while True:
            try:
                fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                pid = _pid_in(path)
                if timeout.is_over(pid):
                    os.close(self._descriptor)
                    raise InputError(
                        f"{recording}: another logger{f' (pid {pid})' if pid else ''} is writing "
                        "this recording, expected none. Stop it first, or record elsewhere."
                    ) from None
                time.sleep(0.01)
        # The pid is for people only: on a full disk the lock holds without it.
        with contextlib.suppress(OSError):
            os.ftruncate(self._descriptor, 0)
            os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)

    @property
    def descriptor(self) -> int:
        """The descriptor that holds the lock: a process that inherits it holds the lock as well."""
        return self._descriptor

    def is_in_place(self) -> bool:
        """Return whether the lock file is still where it was taken.

        A recording that was moved, renamed or removed takes its lock file along; a new recording in
        its place is not protected by this lock.
        """
        try:
            stat_there = self._path.stat()
        except OSError:
            return False
        return os.path.samestat(stat_there, os.fstat(self._descriptor))

    def release(self) -> None:
        """Release the lock; the file remains, empty."""
        if self._descriptor >= 0:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, 0)
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> "WriteLock":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


class _LockTimeout:
    """For how long a lock is waited for: counted anew whenever another holds it.

    Who releases it empties the file first, and who takes it signs it afterwards.
    """

    def __init__(self, *, running_s: float = TEST_S) -> None:
        """Wait for a process that runs, such as a reader that tests the lock, for `running_s`."""
        self._running_s = running_s
        self._pid: int | None = None
        self._since_s = time.monotonic()

    def is_over(self, pid: int | None) -> bool:
        """Return whether the process that holds it, None or 0 where none signed, has had its time.

        The process that makes parts for a recorder inherits its lock and ends with it: killed while
        the disk syncs, it ends after that.
        """
        pid = pid or None
        if pid != self._pid:
            self._pid, self._since_s = pid, time.monotonic()
        wait_s = UNSIGNED_S if pid is None else ORPHAN_S if _is_gone(pid) else self._running_s
        return time.monotonic() - self._since_s >= wait_s


def _is_gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except (PermissionError, OverflowError):
        # Somebody else's process, or no number of one.
        pass
    return False


def await_orphan(recording: Path) -> None:
    """Wait until what makes parts for a recorder that is gone has ended as well, 10 s at most."""
    timeout = _LockTimeout(running_s=0.0)
    while (pid := writer_pid(recording)) is not None and not timeout.is_over(pid):
        time.sleep(0.01)


def check_not_written(recording: Path) -> None:
    """Raise InputError when a recording is being written."""
    timeout = _LockTimeout()
    while (pid := writer_pid(recording)) is not None:
        if not timeout.is_over(pid):
            time.sleep(0.01)
            continue
        raise InputError(
            f"{recording}: a logger (pid {pid}) is writing this recording, expected none. Stop "
            "it first."
        )


def writer_pid(recording: Path) -> int | None:
    """Return the pid of the process that writes a recording, None when there is none.

    0 where the process is known from its lock alone.
    """
    path = recording / LOCK_FILE
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return _pid_in(path) or 0
    finally:
        os.close(descriptor)
    return None


def _pid_in(path: Path) -> int | None:
    try:
        return int(read_regular(path, max_bytes=40).decode("ascii").strip() or "0") or None
    except (OSError, ValueError):
        return None
