"""A recording that runs on a thread of its own, for tests that talk to its bus meanwhile."""

import threading

from logger.errors import InputError, OutsideFault
from logger.event_kind import EventKind
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import RecordResult, record
from replay.recording import Recording

__all__ = ["Recorder", "kinds_told"]

PATIENCE_S = 60.0
"""How long a recording may take to begin, or to end, on a busy machine."""


def kinds_told(recording: Recording) -> list[str]:
    """Return the kinds of a recording's events in order.

    Left out are standstills, which tell how busy the machine is and nothing of what is tested.
    """
    return [event.kind for event in recording.read_events() if event.kind != EventKind.STANDSTILL]


class Recorder:
    """Begins to record at once; returns when it has begun, or could not."""

    def __init__(self, settings: RecordSettings) -> None:
        self.fault: Exception | None = None
        self._stop = threading.Event()
        self._settings = settings
        self._ended: RecordResult | None = None
        begun = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(begun,))
        self._thread.start()
        assert begun.wait(PATIENCE_S)

    def _run(self, begun: threading.Event) -> None:
        try:
            self._ended = record(
                self._settings, stop=self._stop, on_start=lambda _path: begun.set()
            )
        except (InputError, OutsideFault) as fault:
            self.fault = fault

    def join(self, within_s: float = PATIENCE_S) -> None:
        """Wait for its end."""
        self._thread.join(within_s)

    def end(self, *, within_s: float = PATIENCE_S) -> RecordResult | None:
        """Stop it; return how it ended, None after a fault."""
        self._stop.set()
        self.join(within_s)
        return self._ended
