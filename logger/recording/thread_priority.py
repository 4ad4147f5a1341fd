"""A recorder that runs ahead of other programs, where the system allows it.

Where every core is taken, a thread that wakes waits for its turn longer than a stop frame or an
encoder's turns can. All threads of the process are raised, receiving most: a thread of ordinary
priority that is put off while it holds the interpreter holds up the urgent ones.
"""

import os
import threading
from collections.abc import Collection
from typing import Final

__all__ = ["HOW_TO_ALLOW_PRIORITY", "PriorityRaiser"]

HOW_TO_ALLOW_PRIORITY: Final = (
    "The system does not let the recorder run ahead of other programs; LimitRTPRIO=2 in its "
    "systemd unit, or an rtprio line for its user in /etc/security/limits.conf, would."
)
_ORDINARY_PRIORITY: Final = 1
_RECEIVING_PRIORITY: Final = 2
_RAISED_NICE: Final = -10


class PriorityRaiser:
    """Raises the threads of this process, those too that begin later."""

    def __init__(self, *, is_wanted: bool) -> None:
        """`is_wanted` False: it leaves them as they are."""
        self._is_wanted = is_wanted
        self._raised: set[int] = set()
        self.is_refused = False
        """Whether the system did not allow it."""

    def raise_new_threads(self, receiving: Collection[threading.Thread] = ()) -> None:
        """Raise every thread that is not raised yet, the receiving ones above all others."""
        for thread in threading.enumerate() if self._is_wanted and not self.is_refused else ():
            # One that is just beginning has no number yet.
            if thread.native_id is not None and thread.native_id not in self._raised:
                self._raised.add(thread.native_id)
                priority = _RECEIVING_PRIORITY if thread in receiving else _ORDINARY_PRIORITY
                self.is_refused |= not _raise_thread(thread.native_id, priority)


def _raise_thread(native_id: int, priority: int) -> bool:
    """Return whether the system allows it; Linux alone knows a priority of single threads.

    Round robin in real time (POSIX, SCHED_RR), or else a lower nice value. The processes that a
    raised thread starts are ordinary ones.
    """
    if not hasattr(os, "SCHED_RESET_ON_FORK"):
        return False
    try:
        os.sched_setscheduler(
            native_id, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(priority)
        )
    except ProcessLookupError:
        return True
    except OSError:
        try:
            os.sched_setscheduler(
                native_id, os.SCHED_OTHER | os.SCHED_RESET_ON_FORK, os.sched_param(0)
            )
            os.setpriority(os.PRIO_PROCESS, native_id, _RAISED_NICE)
        except ProcessLookupError:
            return True
        except OSError:
            return False
    return True
