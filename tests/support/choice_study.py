"""Whether a fit of heat finds what a joint has beside its usual model, and is not fooled.

Sensors that lag, standby loss in the winding, loss by speed: joints that have it and joints that
have not, the whole way as `told_heat` goes it. Run as a module it keeps one file a joint and case,
so that a run that was ended goes on where it was, and prints one line a case:

    python -m tests.support.choice_study FOLDER --joints 6 --seed 1000
"""

import argparse
import json
import math
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.joint.thermal.thermal_load import Node
from tests.support.heat_joints import simulate_joint
from tests.support.told_heat import fit_simulated

__all__ = ["CASES", "choice_of"]

PATTERNS: Final = ("random", "steps", "cyclic")
SECONDS: Final = 5400


def _lag_s(dice: np.random.Generator, least: float, most: float) -> float:
    return float(math.exp(dice.uniform(math.log(least), math.log(most))))


def _moving(dice: np.random.Generator) -> np.ndarray:
    """Return a speed that goes with no load: stretches of 1 to 10 min at up to 3 rad/s."""
    out = np.empty(0)
    while len(out) < SECONDS:
        held = int(dice.uniform(60.0, 600.0))
        out = np.append(out, np.full(held, dice.choice([0.0, dice.uniform(0.5, 3.0)])))
    return out[:SECONDS]


Course = Callable[[np.random.Generator], dict[str, Any]]
CASES: Final[dict[str, Course]] = {
    "both read, no lag": lambda _dice: {},
    "both read, winding lags": lambda dice: {"winding_lag_s": _lag_s(dice, 2.0, 40.0)},
    "both read, housing lags": lambda dice: {"housing_lag_s": _lag_s(dice, 10.0, 60.0)},
    "winding alone, no lag": lambda _dice: {"housing": False},
    "winding alone, lags": lambda dice: {
        "housing": False,
        "winding_lag_s": _lag_s(dice, 2.0, 40.0),
    },
    "standby in winding": lambda _dice: {"loss_node": Node.WINDING},
    "moving, no loss": lambda dice: {"winding": False, "speed": _moving(dice)},
    "moving, linear loss": lambda dice: {
        "winding": False,
        "speed": _moving(dice),
        "speed_W": (float(dice.uniform(1.0, 4.0)), 0.0),
    },
    "moving, square loss": lambda dice: {
        "winding": False,
        "speed": _moving(dice),
        "speed_W": (0.0, float(dice.uniform(0.4, 1.5))),
    },
}


def choice_of(seed: int, case: str) -> dict[str, Any]:
    """Return what was chosen for one joint, the truth, and each known quantity with its truth."""
    dice = np.random.default_rng(seed)
    course = {"winding": True, **CASES[case](dice)}
    made = simulate_joint(
        seed,
        pattern=PATTERNS[seed % len(PATTERNS)],
        hours=SECONDS / 3600.0,
        step_s=5 if course["winding"] else 10,
        **course,
    )
    began = time.process_time()
    fit = fit_simulated(made)
    model = fit.problem.model
    return {
        "lags": [one.value for one in model.lags],
        "loss_node": model.loss_node.value,
        "speed": model.speed.value,
        "is_lag_alike": fit.is_lag_alike,
        "changed": fit.has_changed,
        "true": {
            key: float(made.truth[key]) for key in ("winding_lag", "housing_lag", "speed_rise")
        },
        "told": [
            [one.name.value, one.low, one.value, one.high, float(made.truth[one.name.value])]
            for one in fit.quantities
            if one.name.value in made.truth
            and (fit.is_winding_known or one.name.value != "housing_time")
        ],
        "unknown": [one.name.value for one in fit.unknown],
        "seconds": time.process_time() - began,
    }


def lines_of(found: list[dict[str, Any]]) -> Iterator[str]:
    """Yield what was chosen, how often, and how many intervals hold their truth."""
    for key in ("lags", "loss_node", "speed"):
        every = [str(one[key]) for one in found]
        counted = ", ".join(f"{value} {every.count(value)}" for value in sorted(set(every)))
        yield f"    {key}: {counted}"
    told = [row for one in found for row in one["told"]]
    for name in ("", *sorted({row[0] for row in told})):
        rows = [row for row in told if name in ("", row[0])]
        held = sum(low <= truth <= high for _, low, _, high, truth in rows)
        width = np.median([high / low for _, low, _, high, _ in rows]) if rows else math.nan
        yield f"    {name or 'all'} held {held} of {len(rows)}, median factor {width:.2f}"
    seconds = np.median([one["seconds"] for one in found])
    yield f"    changed {sum(one['changed'] for one in found)}, processor time {seconds:.0f} s"


def main() -> None:
    """Make what is missing in the folder and print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--joints", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--case", action="append", choices=list(CASES))
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    found: dict[str, list[dict[str, Any]]] = {case: [] for case in asked.case or CASES}
    for seed in range(asked.seed, asked.seed + asked.joints):
        for case, own in found.items():
            kept = asked.folder / f"{seed}-{case.replace(' ', '-').replace(',', '')}.json"
            if not kept.exists():
                kept.write_text(json.dumps(choice_of(seed, case)), encoding="utf-8")
            own.append(json.loads(kept.read_text("utf-8")))
    for case, own in found.items():
        sys.stdout.writelines(f"{line}\n" for line in (case, *lines_of(own)))


if __name__ == "__main__":
    main()
