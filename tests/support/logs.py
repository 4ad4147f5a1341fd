"""Logs as another program would have written them, by python-can's own writers."""

from pathlib import Path

import can

from logger.joint.batch import FrameBatch

__all__ = ["write_log"]


def write_log(path: Path, frames: FrameBatch) -> None:
    """Write classic frames into a log; what the file's name ends in says of which kind."""
    with can.Logger(path) as log:
        for at, identifier, row, length in zip(
            frames.time_ns.tolist(),
            frames.identifier.tolist(),
            frames.data,
            frames.length.tolist(),
            strict=True,
        ):
            log(
                can.Message(
                    timestamp=at / 1_000_000_000,
                    arbitration_id=identifier,
                    is_extended_id=False,
                    data=bytes(row[:length]),
                    channel=0,
                )
            )
