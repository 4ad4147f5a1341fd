"""Blocks made white: what recursions give is what the inverse of the covariance gives."""

import numpy as np
import pytest

from replay.campaign.change_scan import ChangeShape, change_candidates
from replay.campaign.figure_blocks import BLOCK_H
from replay.campaign.noise_grid import Noise
from replay.campaign.white_blocks import WhiteBlocks, white_blocks

NOISES = (Noise(correlation_h=7.0, white_share=0.3), Noise(correlation_h=48.0, white_share=0.02))


@pytest.fixture(scope="module")
def start_h() -> np.ndarray:
    """Give 400 blocks with pauses, the last of them alone after one."""
    dice = np.random.default_rng(3)
    return np.cumsum(np.append(dice.choice([1.0, 1.0, 1.0, 6.0], size=399), 30.0))


@pytest.fixture(scope="module")
def counts(start_h: np.ndarray) -> np.ndarray:
    """Give the cycles of each block."""
    return np.random.default_rng(4).integers(20, 100, size=len(start_h)).astype(float)


@pytest.fixture(scope="module")
def blocks(start_h: np.ndarray, counts: np.ndarray) -> WhiteBlocks:
    """Give the blocks."""
    return white_blocks(start_h, counts, NOISES)


@pytest.fixture(scope="module")
def covariances(start_h: np.ndarray, counts: np.ndarray) -> list[np.ndarray]:
    """Give the covariance of the blocks under each kind of noise."""
    apart = np.abs(start_h[:, None] - start_h[None, :])
    white = np.diag(np.median(counts) / counts)
    return [
        (1.0 - one.white_share) * np.exp(-apart / one.correlation_h) + one.white_share * white
        for one in NOISES
    ]


def test_whitening_is_that_of_the_covariance(blocks: WhiteBlocks, covariances: list[np.ndarray]):
    """Kalman's innovations give the products that the inverse of the covariance gives."""
    columns = np.random.default_rng(5).normal(size=(len(blocks.start_h), 5))
    white = blocks.whitened(columns)
    for kind, covariance in enumerate(covariances):
        wanted = columns.T @ np.linalg.solve(covariance, columns)
        assert np.allclose(white[:, kind].T @ white[:, kind], wanted, rtol=1e-9)
        determinant = 0.5 * np.linalg.slogdet(covariance)[1]
        assert blocks.log_determinant[kind] == pytest.approx(determinant, rel=1e-9)


@pytest.mark.parametrize("end", [400, 399, 260])
def test_products_with_changes_are_those_of_their_columns(
    blocks: WhiteBlocks, covariances: list[np.ndarray], end: int
):
    """Of each date and shape, in pauses too, and of blocks that end early."""
    some = blocks.until(end)
    courses = change_candidates(some.start_h, runs_in=False).courses
    dense = np.stack(
        [courses.column(place, some.start_h) for place in range(len(courses.row))], axis=1
    )
    columns = np.random.default_rng(6).normal(size=(end, 2))
    products = some.course_products(some.whitened(columns), courses)
    lengths = some.course_lengths(courses)
    for kind, covariance in enumerate(covariances):
        solved = np.linalg.solve(covariance[:end, :end], dense)
        assert np.allclose(lengths[kind], (dense * solved).sum(axis=0), rtol=1e-9)
        assert np.allclose(products[kind], columns.T @ solved, rtol=1e-7, atol=1e-9)


def test_a_course_has_the_mean_share_of_each_block(start_h: np.ndarray):
    """A step inside a block counts as its fraction, a ramp by the mean of its hours."""
    tried = change_candidates(start_h + 0.4, runs_in=False)
    end_h = start_h[-1] + 0.4 + BLOCK_H
    fine_h = (start_h[:, None] + 0.4 + (np.arange(200) + 0.5) / 200.0 * BLOCK_H)[:, :, None]
    places = np.arange(0, len(tried.shapes), 47)
    passed_h = np.clip(fine_h - tried.dates_h[places], 0.0, None)
    is_step = np.array([tried.shapes[place] is ChangeShape.STEP for place in places])
    wanted = np.where(is_step, passed_h > 0.0, passed_h / (end_h - tried.dates_h[places]))
    for place, column in zip(places, wanted.mean(axis=1).T, strict=True):
        assert tried.courses.column(int(place), start_h + 0.4) == pytest.approx(column, abs=5e-3)
