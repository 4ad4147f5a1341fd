"""For how long processes waited for a processor: what the machine had to do otherwise, by Linux."""

import contextlib
import time
from pathlib import Path

__all__ = ["RunDelay"]

SPAN_S = 1.0


class RunDelay:
    """Watches processes; what they are asked to do in time may take so much longer."""

    def __init__(self, *pids: int) -> None:
        self._pids = pids
        self._noted: list[tuple[float, int]] = []
        self.note()

    def note(self) -> None:
        """Look at them now; to be called now and then, last of all before they end."""
        waited_ns = sum(_waited_ns(pid) for pid in self._pids)
        # Threads that have ended no longer tell.
        before_ns = self._noted[-1][1] if self._noted else 0
        self._noted.append((time.monotonic(), max(waited_ns, before_ns)))

    def newest_ns(self) -> int:
        """Return for how long their threads waited, together, in the last second or somewhat more.

        0 where the system does not tell.
        """
        newest_s, newest_ns = self._noted[-1]
        earlier = [ns for at_s, ns in self._noted if at_s <= newest_s - SPAN_S]
        return newest_ns - (earlier[-1] if earlier else self._noted[0][1])


def _waited_ns(pid: int) -> int:
    waited = 0
    for thread in Path(f"/proc/{pid}/task").glob("*/schedstat"):
        with contextlib.suppress(OSError, IndexError):
            waited += int(thread.read_text(encoding="ascii").split()[1])
    return waited
