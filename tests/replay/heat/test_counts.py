"""The likelihood of a count: probabilities that sum to one, derivatives that are derivatives."""

import numpy as np
import pytest

from replay.heat.counts import count_likelihood, expected_information


@pytest.mark.parametrize(("resolution", "noise"), [(1.0, 0.15), (0.0625, 0.02), (0.1, 0.4)])
@pytest.mark.parametrize("temperature", [22.0, 22.03, 22.49, 22.5])
def test_counts_are_a_distribution(resolution, noise, temperature):
    """All counts together have probability one, and their slopes cancel."""
    counts = np.arange(-200, 201) * resolution + 22.0
    found = count_likelihood(
        counts, np.full(len(counts), temperature), resolution_K=resolution, noise_K=noise
    )
    share = np.exp(found.log)
    assert share.sum() == pytest.approx(1.0, abs=1e-9)
    assert share @ found.slope == pytest.approx(0.0, abs=1e-6 / noise)
    expected = expected_information(
        counts[:1], np.array([temperature]), resolution_K=resolution, noise_K=noise
    )
    assert expected.temperature[0] == pytest.approx(share @ found.slope**2, rel=0.02, abs=1e-3)
    assert expected.noise[0] == pytest.approx(share @ found.noise_slope**2, rel=0.05, abs=1e-3)


@pytest.mark.parametrize("count", [20.0, 21.0, 22.0, 24.0, 40.0, 90.0])
@pytest.mark.parametrize("noise", [0.02, 0.15, 0.9])
def test_derivatives_are_those_of_the_logarithm(count, noise):
    """By differences, from the middle of the count out to where only one edge counts."""
    at, step = 21.7, 1e-5

    def log(temperature, log_noise):
        return float(
            count_likelihood(
                np.array([count]),
                np.array([temperature]),
                resolution_K=1.0,
                noise_K=float(np.exp(log_noise)),
            ).log[0]
        )

    s = float(np.log(noise))
    found = count_likelihood(
        np.array([count]), np.array([at]), resolution_K=1.0, noise_K=float(np.exp(s))
    )
    assert found.slope[0] == pytest.approx(
        (log(at + step, s) - log(at - step, s)) / (2 * step), rel=1e-3, abs=1e-5
    )
    assert found.noise_slope[0] == pytest.approx(
        (log(at, s + step) - log(at, s - step)) / (2 * step), rel=1e-3, abs=1e-5
    )
    assert found.information[0] >= 0.0


def test_no_distance_overflows():
    """A start that is a thousand degrees off still points to where the reading is."""
    found = count_likelihood(
        np.array([20.0, 20.0]), np.array([1e5, -1e5]), resolution_K=0.0625, noise_K=0.02
    )
    assert np.isfinite(found.log).all()
    assert found.slope[0] < 0.0 < found.slope[1]
