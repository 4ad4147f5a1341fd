"""A recording of a drive that nobody has a layout of, while the four steps are done with it."""

from pathlib import Path
from typing import Final

from logger.arrays import to_ns
from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.limits.limit import LimitSet
from tests.logger.layout_finder.moved_joint import MARKS, joint_traffic
from tests.support.one_joint import one_joint_bench

__all__ = ["STEPS_QUERY", "record_unknown"]

START_NS: Final = 1_795_000_000_000_000_000
STEPS_QUERY: Final = {
    **{
        name: f"{span[0]:g}-{span[1]:g}"
        for name, span in (
            ("rest", MARKS.rest), ("turn", MARKS.turn), ("load", MARKS.load), ("warm", MARKS.warm),
        )
        if span is not None
    },
    "ambient": "23", "supply": "48", "mass": "2", "arm": "0.4",
}  # fmt: skip
"""What the page asks: the steps and the four numbers."""
_NOTHING_KNOWN: Final = '[[frame]]\nname = "-"\nidentifier = 0x7FF\nlength = 0\n'


def record_unknown(path: Path) -> Path:
    """Record the traffic of the steps with a layout that knows none of its frames."""
    traffic = joint_traffic()
    rows = sorted(
        zip(traffic.time_s.tolist(), traffic.identifier.tolist(), traffic.data, strict=True)
    )
    frames = FrameBatch.from_rows(
        [(START_NS + to_ns(at), number, 0, bytes(data)) for at, number, data in rows]
    )
    import_frames(
        [frames], bench=one_joint_bench(_NOTHING_KNOWN), limits=LimitSet(), out=path, name="unknown"
    )
    return path
