"""The joints as a process of their own: `python -m logger.simulate --link PATH --seed N`.

Prints "ready PATH" on standard output once the serial line can be opened; with `--bench` also what
is done there and what a person reads off, one JSON object a line. SIGTERM and SIGINT end it
cleanly, and so does the end of the process that started it.
"""

import argparse
import json
import logging
import os
import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from types import FrameType

from logger.errors import DutytraceError
from logger.simulate.commissioning.bench_line import serve_bench
from logger.simulate.live import serve_joints


def main(arguments: Sequence[str] | None = None) -> int:
    """Run until stopped; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m logger.simulate", description="Simulated joints on a serial line."
    )
    parser.add_argument("--link", type=Path, required=True, help="where to link the serial line")
    parser.add_argument("--seed", type=int, default=1, help="chooses payloads and noise")
    parser.add_argument("--speed", type=float, default=1.0, help="times the clock's pace")
    parser.add_argument("--bench", action="store_true", help="one joint that is commissioned")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.WARNING, format="joints: %(message)s")

    parent = os.getppid()
    stop_requested = False

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        nonlocal stop_requested
        stop_requested = True

    signal.signal(signal.SIGTERM, on_signal)
    signal.signal(signal.SIGINT, on_signal)

    def report(line: str) -> None:
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()

    def stopped() -> bool:
        return stop_requested or os.getppid() != parent

    def ready(link: Path) -> None:
        report(f"ready {link}")

    try:
        if chosen.bench:
            serve_bench(
                link=chosen.link,
                seed=chosen.seed,
                clock=time.monotonic,
                stopped=stopped,
                ready=ready,
                happened=lambda event: report(json.dumps(asdict(event))),
            )
        else:
            serve_joints(
                link=chosen.link,
                seed=chosen.seed,
                clock=time.monotonic,
                stopped=stopped,
                ready=ready,
                speed=chosen.speed,
            )
    except DutytraceError as fault:
        sys.stderr.write(f"{fault}\n")
        return fault.exit_status
    return 0


if __name__ == "__main__":
    sys.exit(main())
