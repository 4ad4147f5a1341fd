"""The draws of a model: what its bench file leaves open of it, in every direction."""

import numpy as np
import pytest

from logger.heat.fitted import fitted_heat
from logger.joint.bench.thermal_settings import ThermalSettings


def test_the_draws_have_the_covariance_that_was_stated():
    """A band is as wide as its draws lie apart: also along what parameters share."""
    root = 0.05 * np.random.default_rng(2).standard_normal((4, 4))
    covariance = root @ root.T + 0.03**2 * np.eye(4)
    fitted = fitted_heat(
        ThermalSettings(
            housing_rise=0.7,
            housing_time_s=1000.0,
            winding_rise=0.3,
            winding_time_s=45.0,
            log_covariance=tuple(tuple(row) for row in covariance.tolist()),
        )
    )
    network = fitted.draws.network
    housing_s = network.housing_ambient_K_per_W * network.housing_J_per_K
    winding_s = network.winding_housing_K_per_W * network.winding_J_per_K
    drawn = np.log(
        [network.housing_ambient_K_per_W, housing_s, network.winding_housing_K_per_W, winding_s]
    )
    apart = drawn - drawn[:, :1]
    # One mirror image in 64 is left out for the likeliest itself.
    found = apart @ apart.T / (apart.shape[1] - 1)
    values, vectors = np.linalg.eigh(covariance)
    ratio = np.diag(vectors.T @ found @ vectors) / values
    assert np.sqrt(ratio) == pytest.approx(np.ones(4), abs=0.08)
