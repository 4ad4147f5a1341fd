"""Frames that come from somewhere else than a bus, at any pace: into a recording like any other."""

import time
from collections.abc import Callable, Iterable
from pathlib import Path

from logger.errors import OutsideFault
from logger.intake import Intake
from logger.joint.batch import FrameBatch
from logger.joint.bench import Bench
from logger.limits.limit import LimitSet
from logger.store.manifest import begun
from logger.store.write import RecordingWriter

__all__ = ["bring_in"]


def bring_in(
    frames: Iterable[FrameBatch],
    *,
    bench: Bench,
    limits: LimitSet,
    out: Path,
    name: str,
    start_ns: int,
    end_ns: int,
    note: str = "",
    simulated: bool = False,
    progress: Callable[[int], None] = lambda _time_ns: None,
) -> None:
    """Make a recording of frames given in order of time.

    Raises
    ------
    InputError
        `out` exists, or cannot be made.
    OutsideFault
        The disk took no more, or it was interrupted; what was written is whole.
    """
    manifest = begun(
        bench, name=name, note=note, started_ns=start_ns, simulated=simulated, limits=limits
    )
    writer = RecordingWriter(out, manifest, bench, now_s=time.monotonic())
    intake = Intake(bench, limits, writer, start_ns=start_ns)
    intake.begin(start_ns)
    try:
        for batch in frames:
            newest_ns = int(batch.time_ns[-1]) if len(batch) else start_ns
            intake.take(batch, now_ns=newest_ns)
            writer.tick(time.monotonic())
            progress(newest_ns)
        intake.take(FrameBatch.empty(), now_ns=end_ns)
        intake.say("ended", time_ns=end_ns, text="Recording ended.")
        writer.close(ended_ns=end_ns, cause="end of the frames")
    except KeyboardInterrupt:
        writer.abandon()
        raise OutsideFault(f"{out}: stopped before its end; what was written is whole.") from None
    except BaseException:
        writer.abandon()
        raise
