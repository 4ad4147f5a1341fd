"""The process that makes parts of journals beside a recorder: `python -m` this module, an order.

The order is one argument in JSON, the answer one line of JSON on standard output (see
`logger.store.writing.part_maker`, which starts it). It inherits the descriptor of the recording's
lock, so that the recording stays locked as long as either of the two writes, and it ends with the
recorder, however that ends.
"""

import contextlib
import ctypes
import errno
import json
import os
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any, Final

from logger.errors import DutytraceError
from logger.memory import leave_out_pandas
from logger.store.layout.files import LOCK_FILE

PARENT_CHECK_S: Final = 0.5
_SET_PARENT_DEATH_SIGNAL: Final = 1
"""Number of the option PR_SET_PDEATHSIG in Linux's prctl.h."""


def main() -> None:
    """Carry out the order of the command line, and answer on standard output."""
    order = json.loads(sys.argv[1])
    _end_with(order["parent"])
    _yield_to_recorder(order["niceness"])
    leave_out_pandas()
    sys.stdout.write(json.dumps(_answer(order)) + "\n")


def _answer(order: dict[str, Any]) -> dict[str, object]:
    """Return what became of an order: what could not be read, or why there are no parts."""
    # Imported once the process is bound to the recorder: it takes half a second.
    from logger.store.writing.journal_sealing import SealOrder, seal_journals  # noqa: PLC0415

    try:
        _check_folder(Path(order["recording"]), order["lock"])
        unread = seal_journals(SealOrder.from_fields(order))
    except OSError as fault:
        return {
            "errno": fault.errno or errno.EIO,
            "strerror": fault.strerror or str(fault),
            "path": str(fault.filename or ""),
        }
    except (DutytraceError, MemoryError) as fault:
        return {"reason": str(fault) or type(fault).__name__}
    return {"unread": [{"journal": one.journal, "sentence": one.sentence} for one in unread]}


def _check_folder(recording: Path, lock_descriptor: int) -> None:
    """Raise FileNotFoundError when the recording was moved: another may have its name by now."""
    path = recording / LOCK_FILE
    if not os.path.samestat(path.stat(), os.fstat(lock_descriptor)):
        raise FileNotFoundError(errno.ENOENT, "the recording is gone", str(recording))


def _end_with(parent: int) -> None:
    """See to it that this process ends with the recorder."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_SET_PARENT_DEATH_SIGNAL, signal.SIGKILL, 0, 0, 0)
    # It may have ended before that; and on other systems this is all there is.
    threading.Thread(target=_watch_parent, args=(parent,), daemon=True).start()


def _watch_parent(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(PARENT_CHECK_S)
    os._exit(1)


def _yield_to_recorder(niceness: int) -> None:
    """Leave signals, processor and memory to the recorder; what ends it ends this process too."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    os.nice(niceness)
    # Where memory is short, the kernel ends this process and not the recorder.
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")


if __name__ == "__main__":
    main()
