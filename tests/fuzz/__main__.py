"""Run cases in worker processes and report what failed: `python -m tests.fuzz --help`."""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.fuzz.cases import Bench
from tests.fuzz.corpus import make_corpus
from tests.fuzz.pool import run_cases


def main() -> int:
    """Run the cases that the command line asks for; return 1 where one failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--runs", type=int, default=10_000, help="how many cases")
    parser.add_argument("--seed", type=int, default=1, help="what they are drawn from")
    parser.add_argument("--case", type=int, help="only this one, in this process")
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--limit-s", type=float, default=60.0, help="longest time of a case")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        if asked.case is not None:
            return _run_one(Path(folder), asked.seed, asked.case)
        _say(f"seed {asked.seed}, cases {asked.first} to {asked.first + asked.runs - 1}")
        failed = run_cases(
            Path(folder),
            seed=asked.seed,
            numbers=range(asked.first, asked.first + asked.runs),
            jobs=asked.jobs,
            limit_s=asked.limit_s,
            report=_say,
        )
    for number, faults in sorted(failed.items()):
        _say(f"\n---- case {number}: python -m tests.fuzz --seed {asked.seed} --case {number}")
        _say("\n".join(faults))
    _say(f"\nseed {asked.seed}: {asked.runs} cases, {len(failed)} failed")
    return 1 if failed else 0


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _run_one(folder: Path, seed: int, number: int) -> int:
    for name in ("corpus", "work"):
        (folder / name).mkdir()
    faults, told = Bench(make_corpus(folder / "corpus"), folder / "work").run(seed, number)
    _say("\n".join(told))
    _say("\n".join(["", *faults]) if faults else "nothing failed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
