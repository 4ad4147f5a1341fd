"""A recording that runs on a thread of its own, for tests that talk to its bus meanwhile."""

import threading

from logger.errors import InputError, OutsideFault
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import RecordResult, record

__all__ = ["Recorder"]


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
        assert begun.wait(60)

    def _run(self, begun: threading.Event) -> None:
        try:
            self._ended = record(
                self._settings, stop=self._stop, on_start=lambda _path: begun.set()
            )
        except (InputError, OutsideFault) as fault:
            self.fault = fault

    def join(self, within_s: float = 20.0) -> None:
        """Wait for its end."""
        self._thread.join(within_s)

    def end(self, *, within_s: float = 20.0) -> RecordResult | None:
        """Stop it; return how it ended, None after a fault."""
        self._stop.set()
        self.join(within_s)
        return self._ended
