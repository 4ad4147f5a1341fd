"""The model of a joint's heat in its bench file: each mistake in one sentence."""

import pytest

from logger.errors import InputError
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.settings_file import validate_settings

GOOD = {"housing_rise": 0.9, "housing_time_s": 500.0, "standby_rise_K": 3.0}


def _checked(**more):
    return validate_settings(ThermalSettings, {**GOOD, **more}, "bench.toml")


def test_a_model_may_leave_its_covariance_away():
    """Its figures come in the order of the covariance."""
    assert [*_checked(winding_rise=0.2, winding_time_s=40.0).figures] == [
        *("housing_rise", "housing_time_s", "winding_rise", "winding_time_s", "standby_rise_K")
    ]


@pytest.mark.parametrize(
    ("more", "names"),
    [
        ({"housing_rise": -1.0}, "housing_rise"),
        ({"housing_time_s": float("nan")}, "housing_time_s"),
        ({"winding_rise": 0.2}, "winding_time_s"),
        ({"log_covariance": [[0.01]]}, "3 rows of 3"),
        ({"log_covariance": [[0.01, 0.2, 0], [0.2, 0.01, 0], [0, 0, 0.01]]}, "covariance"),
        ({"log_covariance": [[0.01, 0.01, 0], [0, 0.01, 0], [0, 0, 0.01]]}, "symmetric"),
        (
            {"log_covariance": [[1, 0.9, 0.9], [0.9, 1, -0.9], [0.9, -0.9, 1]]},
            "covariance",
        ),
        ({"speed_loss": "cubic"}, "speed_loss"),
        ({"hosing_rise": 1.0}, "hosing_rise"),
    ],
)
def test_a_mistake_is_named(more, names):
    """What stands there, and what would be right."""
    with pytest.raises(InputError, match=names):
        _checked(**more)
