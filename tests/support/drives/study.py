"""Judge the layout finder on many invented drives and print how right it was.

python -m tests.support.drives.study --set main --seeds 0 100 --keep outcomes.pickle
"""

import argparse
import pickle
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.support.drives.judge import DriveOutcome, FieldOutcome, judge_proposal, propose_for
from tests.support.drives.traffic import invent_drive
from tests.support.drives.truth import DriveSet

__all__ = ["judge_seed", "print_figures", "study_seeds"]

Judged = tuple[int, DriveOutcome, float]
"""Seed, outcome, seconds of processor time of the finder."""


def judge_seed(drive_set: DriveSet, seed: int) -> Judged:
    """Return the outcome of the drive of a seed, and the processor time that finding it took."""
    drive = invent_drive(seed, drive_set)
    began = time.process_time()
    proposal = propose_for(drive)
    spent = time.process_time() - began
    return seed, judge_proposal(drive, proposal), spent


def _tell(text: str = "", end: str = "\n") -> None:
    sys.stdout.write(text + end)


def _of_set(order: tuple[DriveSet, int]) -> Judged:
    return judge_seed(*order)


def study_seeds(drive_set: DriveSet, seeds: Iterable[int], workers: int) -> list[Judged]:
    """Return the outcomes of many seeds."""
    orders = [(drive_set, seed) for seed in seeds]
    if workers == 1:
        return [_of_set(order) for order in orders]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(_of_set, orders))


def _share(outcomes: Sequence[object], is_right: Callable[[object], bool] = bool) -> str:
    right = sum(map(is_right, outcomes))
    return f"{right}/{len(outcomes)} {100 * right / max(1, len(outcomes)):.1f} %"


def _print_fields(fields: Sequence[FieldOutcome]) -> None:
    _tell(f"{'value':22} {'place':>16} {'order':>16} {'meaning':>16} {'sign*':>16} {'scale*':>16}"
          f" {'listed*':>16}")  # fmt: skip
    rows: dict[str, list[FieldOutcome]] = {}
    for one in fields:
        name = "load" if one.meaning in {"torque", "current"} else one.meaning
        rows.setdefault(f"{name}{' set-point' if one.is_setpoint else ''}", []).append(one)
    for name, ones in sorted(rows.items()):
        meant = [one for one in ones if one.meant]
        _tell(
            f"{name:22} {_share([one.place for one in ones]):>16}"
            f" {_share([one.order for one in ones]):>16}"
            f" {_share([one.meant for one in ones]):>16}"
            f" {_share([one.sign for one in meant]):>16}"
            f" {_share([one.scale for one in meant]):>16}"
            f" {_share([one.scale_listed for one in meant]):>16}"
        )
    _tell("* of those whose meaning is right")


def _print_bands(judged: Sequence[Judged]) -> None:
    claims = [one for _, outcome, _ in judged for one in outcome.claims]
    for what in ("place", "meaning", "scale"):
        _tell(what, end=":")
        for band in range(10):
            low, high = band / 10, (band + 1) / 10
            ones = [one for one in claims if one.what == what and one.probability < high + band // 9
                    and one.probability >= low]  # fmt: skip
            if ones:
                mean = sum(one.probability for one in ones) / len(ones)
                true = sum(one.right for one in ones) / len(ones)
                _tell(f"  {mean:.2f}->{true:.2f} ({len(ones)})", end="")
        _tell()
    sure = [one for one in claims if one.probability > 0.95]
    wrong = [one for one in sure if not one.right]
    _tell(f"claims above 0.95: {len(sure)}, wrong {len(wrong)}")
    for seed, outcome, _ in judged:
        for one in outcome.claims:
            if one.probability > 0.95 and not one.right:
                _tell(f"  seed {seed}: {one.what} of {one.claimed}, true: {one.about}"
                      f" ({one.probability:.3f})")  # fmt: skip


def print_figures(judged: Sequence[Judged]) -> None:
    """Print tables of how right the proposals were."""
    _print_fields([one for _, outcome, _ in judged for one in outcome.fields])
    for name in ("kinds_right", "counters", "checksums"):
        every = [one for _, outcome, _ in judged for one in getattr(outcome, name)]
        _tell(f"{name}: {_share(every)}")
    _tell(f"invented checks: {sum(outcome.invented_checks for _, outcome, _ in judged)}")
    whole = [
        all(
            any(one.place and one.order and one.meant for one in outcome.fields
                if one.meaning in group and not one.is_setpoint)
            for group in ({"position"}, {"speed"}, {"torque", "current"}, {"temperature"})
        )
        for _, outcome, _ in judged
    ]  # fmt: skip
    _tell(f"drives with all four main values: {_share(whole)}")
    for seed, outcome, _ in judged:
        missed = [
            f"{one.name}{'' if one.place else ' place'}{'' if one.order else ' order'}"
            f"{'' if one.meant else ' is ' + one.claimed}"
            f"{'' if one.sign or not one.meant else ' sign'}"
            f"{'' if one.scale or not one.meant else f' scale {one.scale_error:.3f}'}"
            for one in outcome.fields
            if one.meaning not in {"flags", "uptime"}
            and not (one.place and one.order and one.meant and one.sign and one.scale)
        ]
        checks = f"{outcome.kinds_right} {outcome.counters} {outcome.checksums}"
        if missed or "False" in checks or outcome.invented_checks:
            _tell(
                f"  seed {seed}: {'; '.join(missed)}"
                f" {checks if 'False' in checks else ''} {outcome.invented_checks or ''}"
            )
    _tell(f"what cannot be told is listed: "
          f"{_share([one for _, outcome, _ in judged for one in outcome.told])}")  # fmt: skip
    for seed, outcome, _ in judged:
        if outcome.untold:
            _tell(f"  seed {seed}: {'; '.join(outcome.untold)}")
    _tell(f"turn doubted: {_share([outcome.turn_doubted for _, outcome, _ in judged])}")
    _print_bands(judged)
    spent = sorted(one for _, _, one in judged)
    _tell(f"processor seconds a drive: median {spent[len(spent) // 2]:.1f}, most {spent[-1]:.1f}")


def main() -> None:
    """Judge what the arguments say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", default="main", choices=[one.value for one in DriveSet])
    parser.add_argument("--seeds", type=int, nargs=2, default=(0, 20))
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    judged: list[Judged] = []
    for first in range(*given.seeds, 2 * given.workers):
        until = min(first + 2 * given.workers, given.seeds[1])
        judged += study_seeds(DriveSet(given.set), range(first, until), given.workers)
        if given.keep:
            given.keep.write_bytes(pickle.dumps(judged))
    print_figures(judged)


if __name__ == "__main__":
    main()
