"""How much evidence of a change figures show that do not change: what the threshold is made of.

Run as a module it prints the constants `_NEEDED` and `_FADING` of `replay/campaign/noise_grid.py`,
and what is too much beside those in force, which is to be added to `_LEARNED`:
`python -m tests.support.quiet_evidence`, some two minutes of processor time. Quiet figures of each
kind of noise in the grid, in campaigns of thirty days with stops, temperature and running-in
projected out, looked at on every day from the seventh; of each figure the highest evidence over
dates, shapes and days. Kinds that are nearly all white need less, and are left out of the table.
Its seeds are its own, not those of `campaign_study`.
"""

import argparse
import sys
from itertools import groupby
from typing import Final

import numpy as np
from numpy.random import Generator

from logger.arrays import Floats
from replay.campaign.change_scan import change_candidates, evidence_of_looks
from replay.campaign.figure_blocks import FigureBlocks, explained_terms
from replay.campaign.noise_grid import NOISES, Noise
from replay.campaign.white_blocks import white_blocks
from tests.support.campaign_study import DAYS, FIRST_DAY, make_campaign

__all__ = ["highest_evidence", "quiet_figures"]

_SEED: Final = 20_000
_AT_ONCE: Final = 150
"""Figures of one campaign: its stops and temperature are the same for all."""
_MOST_WHITE: Final = 0.6
_CALLED: Final = 0.05
_TAIL: Final = 0.1
"""Of the highest share the mean excess is taken (Pickands, Annals of Statistics 3 (1975) 119)."""


def quiet_figures(dice: Generator, blocks: FigureBlocks, noise: Noise, figures: int) -> Floats:
    """Return figures of a kind of noise and nothing else, shape (n, figures)."""
    kept = np.exp(-np.diff(blocks.start_h, prepend=blocks.start_h[0]) / noise.correlation_h)
    slow = np.empty((len(kept), figures))
    now = dice.normal(size=figures)
    for row, keep in enumerate(kept.tolist()):
        now = keep * now + np.sqrt(1.0 - keep**2) * dice.normal(size=figures)
        slow[row] = now
    white = np.sqrt(noise.white_share * np.median(blocks.counts) / blocks.counts)
    white_part = white[:, None] * dice.normal(size=slow.shape)
    return np.sqrt(1.0 - noise.white_share) * slow + white_part


def highest_evidence(
    noise: Noise, draws: int, *, seed: int = _SEED, days: int = DAYS, looks_every: int = 1
) -> Floats:
    """Return of so many quiet figures the highest evidence, and by how much it was too much.

    Shape (2, draws); the second with the kind of noise learned from the figure, as it is in use.
    """
    highest = []
    looks = [*range(FIRST_DAY, days, looks_every), days]
    for number in range(-(-draws // _AT_ONCE)):
        dice = np.random.default_rng((seed, number, NOISES.index(noise)))
        blocks = make_campaign(dice, slow=0.0, correlation_h=1.0, figures=1, days=days).blocks
        values = quiet_figures(dice, blocks, noise, _AT_ONCE)
        tried = change_candidates(blocks.start_h, runs_in=True)
        of_looks = evidence_of_looks(
            values,
            explained_terms(blocks),
            white_blocks(blocks.start_h, blocks.counts),
            tried,
            watched=1,
            days=looks,
        )
        highest.append(
            np.max(
                [
                    (evidence.max(axis=1), evidence.max(axis=1) - needed)
                    for evidence, needed in of_looks
                ],
                axis=0,
            )
        )
    return np.concatenate(highest, axis=1)[:, :draws]


def main() -> None:
    """Print the evidence by the correlation time of the noise, and how its tail fades."""
    options = argparse.ArgumentParser()
    options.add_argument("--draws", type=int, default=300, help="Of each kind of noise.")
    given = options.parse_args()
    excess = []
    for correlation_h, kinds in groupby(NOISES, key=lambda noise: noise.correlation_h):
        drawn = [
            highest_evidence(noise, given.draws)
            for noise in kinds
            if noise.white_share <= _MOST_WHITE
        ]
        highest, beyond = np.concatenate(drawn, axis=1)
        edge = np.quantile(highest, 1.0 - _TAIL)
        excess.append(highest[highest > edge] - edge)
        by_share = ", ".join(f"{np.quantile(one, 1.0 - _CALLED):.1f}" for one, _ in drawn)
        sys.stdout.write(
            f"{correlation_h:g} h: needed {np.quantile(highest, 1.0 - _CALLED):.1f} (by white "
            f"share {by_share}), fading {excess[-1].mean():.2f}, too much with noise learned "
            f"{np.quantile(beyond, 1.0 - _CALLED):.1f}\n"
        )
        sys.stdout.flush()
    sys.stdout.write(f"fading of all: {np.concatenate(excess).mean():.2f}\n")


if __name__ == "__main__":
    main()
