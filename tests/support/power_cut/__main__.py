"""Cut the power of a recorder and say what came of it, by hand.

python -m tests.support.power_cut CACHE [--seed N] [--keep FOLDER]
"""

import argparse
import json
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from tests.support.power_cut.judge import judge
from tests.support.power_cut.machine import missing_tools
from tests.support.power_cut.story import run_story

if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Cut the power of a recorder again and again.")
    parser.add_argument("cache", type=Path, help="keeps the kernel, which is fetched once")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="where the recordings of all cuts are left")
    asked = parser.parse_args()
    if missing := missing_tools():
        sys.exit(f"missing here: {', '.join(missing)}")
    kept = asked.keep or Path(tempfile.mkdtemp())
    kept.mkdir(exist_ok=True)
    came = run_story(asked.cache, kept, seed=asked.seed)
    told = {**asdict(judge(came)), "blocks kept and lost": came.blocks}
    sys.stdout.write(f"{json.dumps(told, indent=1)}\n{kept}\n")
